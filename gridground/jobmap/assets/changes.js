/* Rings round the poles whose grounds changed since the revision before.
   Classic script, no network, text only ever by textContent. */
(function () {
  "use strict";
  var G = window.gridground, GROUNDS = ["location", "rod", "zone", "lead"];
  G.changes = function (map) {
    var plan = G.read(), marked = Object.create(null);
    (plan.changes || []).forEach(function (row) {
      if (GROUNDS.indexOf(row.what) >= 0) { row.where.forEach(function (id) { marked[id] = true; }); }
    });
    plan.picture.poles.forEach(function (row) {
      if (!marked[row.pole_id]) { return; }
      L.circleMarker([row.lat, row.lon], { radius: 26, color: "#000", weight: 3, dashArray: "6 5", fill: false, interactive: false }).addTo(map);
      var box = G.el("div", "mk mk-changed");
      box.appendChild(G.el("span", "mk-word", "changed"));
      L.marker([row.lat, row.lon], { icon: L.divIcon({ html: box, className: "", iconSize: [0, 0] }), interactive: false, keyboard: false }).addTo(map);
    });
    G.drawn.push("changes");
  };
})();
