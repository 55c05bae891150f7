/* The map's labels: one that would lie over a more important one moves, or waits until the map is nearer.
   Classic script, no network. */
(function () {
  "use strict";
  var G = window.gridground;
  /* Labels that would lie over a more important one are left out until the map is nearer. */
  var RANKS = ["mk-ground", "mk-way", "mk-rod", "mk-letter", "mk-pole", "mk-name"];
  function keepInside(node, box, frame) {
    var spot = node.parentNode.getBoundingClientRect(), right = 0;
    if (spot.left > frame.left && spot.left < frame.right) {
      right = box.left < frame.left + 6 ? frame.left + 6 - box.left : Math.min(0, frame.right - 6 - box.right);
    }
    node.style.marginLeft = right + "px";
    return { left: box.left + right, right: box.right + right, top: box.top, bottom: box.bottom };
  }
  function apart(a, b, by) {
    return a.left + by[0] >= b.right || b.left >= a.right + by[0] || a.top + by[1] >= b.bottom || b.top >= a.bottom + by[1];
  }
  function within(a, frame, by) {
    return a.left + by[0] >= frame.left && a.right + by[0] <= frame.right && a.top + by[1] >= frame.top && a.bottom + by[1] <= frame.bottom;
  }
  /* places round the usual one, the nearest first */
  function around(usual) {
    var found = [];
    for (var x = -180; x <= 180; x += 20) { for (var y = -130; y <= 130; y += 13) { found.push([x, y]); } }
    found.sort(function (a, b) { return Math.hypot(a[0], a[1]) - Math.hypot(b[0], b[1]); });
    return usual.concat(found);
  }
  G.untangle = function (map) {
    var frame = map.getContainer().getBoundingClientRect(), kept = [], boxes = [], cones = [];
    map.getContainer().querySelectorAll(".mk-cone > .mk-sign, .mk-cone > .mk-word").forEach(function (node) { cones.push(node.getBoundingClientRect()); });
    cones = cones.filter(function (box) { return box.width && !apart(box, frame, [0, 0]); });
    map.getContainer().querySelectorAll(".mk-ground > .mk-sign, .mk-rod > .mk-sign, .mk-way > .mk-sign").forEach(function (node) { kept.push(node.getBoundingClientRect()); });
    map.getContainer().querySelectorAll(".mk-word, .mk-letter > .mk-sign").forEach(function (node) {
      node.style.marginTop = node.style.marginLeft = "0px";
      var box = node.getBoundingClientRect();
      if (box.width && box.right > frame.left && box.left < frame.right && box.bottom > frame.top && box.top < frame.bottom) {
        var rank = RANKS.findIndex(function (css) { return node.parentNode.classList.contains(css); });
        /* numbers of cones stay at their cones, the rod's words move out of their way */
        if (node.parentNode.classList.contains("mk-cone")) { rank = 1.5; }
        /* a name cut by the edge of the map is no name */
        var cut = rank > 3 && (box.left < frame.left || box.right > frame.right || box.top < frame.top || box.bottom > frame.bottom);
        node.classList.toggle("hidden", cut);
        if (!cut) { boxes.push({ node: node, box: box, rank: rank }); }
      }
    });
    boxes.sort(function (a, b) { return a.rank - b.rank; });
    boxes.forEach(function (item) {
      /* a way's words stay in sight as long as its arrow is */
      if (item.rank === 1) { item.box = keepInside(item.node, item.box, frame); }
      /* the usual place, else a little lower or on the other side of the mark */
      var tries = item.rank === 0 ? [0, 68] : item.rank === 1 || item.rank === 2 ? [0, 22, -66, 44, -88, 66, -110, 88] : [0];
      function clear(by, overCones) {
        return !kept.some(function (b) { return !(overCones && b.cone) && !apart(item.box, b, by); });
      }
      tries = tries.map(function (down) { return [0, down]; });
      /* names of grounds and words of rods beside the cones, as near as there is room */
      var free = item.rank !== 0 && item.rank !== 2 ? [] : around(tries).filter(function (by) {
        return within(item.box, frame, by) && clear(by, false) && cones.every(function (b) { return apart(item.box, b, by); });
      }).slice(0, 1);
      if (!free.length) { free = tries.filter(function (by) { return clear(by, false); }); }
      /* rather over the numbers of cones than not at all */
      if (!free.length && item.rank === 2) { free = tries.filter(function (by) { return clear(by, true); }); }
      var by = free.length ? free[0] : [0, 0], a = item.box;
      item.node.classList.toggle("hidden", !free.length && item.rank > 0);
      item.node.style.marginTop = by[1] + "px";
      if (by[0]) { item.node.style.marginLeft = by[0] + "px"; }
      if (free.length || item.rank === 0) {
        kept.push({ left: a.left + by[0], right: a.right + by[0], top: a.top + by[1], bottom: a.bottom + by[1], cone: item.rank === 1.5 });
      }
    });
  };
})();
