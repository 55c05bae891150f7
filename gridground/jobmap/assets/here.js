/* Where am I: a dot with its ring on the map, distance and bearing to poles and rods in words.
   Works without a position; blocks nothing. Classic script. */
(function () {
  "use strict";
  var G = window.gridground, el = G.el, watch = null, layers = [], last = null;

  /* Distance and bearing from true north on the WGS 84 ellipsoid by its two radii at the middle
     latitude: within a thousandth up to 20 km. */
  G.between = function (from, to) {
    var rad = Math.PI / 180, middle = (from.lat + to.lat) / 2 * rad, e2 = 0.00669437999014, a = 6378137;
    var w = Math.sqrt(1 - e2 * Math.sin(middle) * Math.sin(middle));
    var north = (to.lat - from.lat) * rad * a * (1 - e2) / (w * w * w);
    var turn = ((to.lon - from.lon) % 360 + 540) % 360 - 180;
    var east = turn * rad * a / w * Math.cos(middle);
    return { distance_m: Math.hypot(north, east), bearing_deg: (Math.atan2(east, north) / rad + 360) % 360 };
  };
  function far(metres) { return Math.round(metres / 0.3048) + " ft (" + (metres < 100 ? metres.toFixed(1) : metres.toFixed(0)) + " m)"; }
  function words(way) { return far(way.distance_m) + ", bearing " + G.bearing(way.bearing_deg); }
  /* Return what is said of the way to one location, line by line; empty without a position. */
  G.hereWords = function (location) {
    if (!last) { return []; }
    var way = G.between(last, location), said = ["To " + (location.pole_id ? "pole " : "") + G.placeOf(location) + ": " + words(way) + "."];
    if (location.rod) { said.push("To its rod place: " + words(G.between(last, location.rod)) + "."); }
    said.push("Position good to about " + far(last.accuracy_m) + (way.distance_m <= last.accuracy_m ? ", you are within that of the pole" : "") + ". Read the number on the pole.");
    return said;
  };
  function nearest(rows) {
    return rows.map(function (row) { return { row: row, way: G.between(last, row) }; })
      .sort(function (a, b) { return a.way.distance_m - b.way.distance_m; });
  }
  function panel() {
    var ranked = nearest(G.plan.locations), poles = nearest(G.plan.picture.poles), children = [];
    if (ranked.length) {
      var first = ranked[0].row, chosen = G.chosen || first;
      children.push(el("p", "said", "Nearest ground location of the plan:"));
      children.push(el("p", "herepole", G.placeOf(first)));
      if (poles.length && poles[0].row.pole_id !== first.pole_id) {
        children.push(el("p", "said", "Nearest pole on the map: " + poles[0].row.pole_id + ", " + words(poles[0].way) + ". The plan sets no ground there."));
      }
      G.hereWords(chosen).forEach(function (line, n) { children.push(el("p", n ? "said" : "said herechosen", line)); });
      var list = el("ul");
      ranked.forEach(function (item) {
        if (item.row !== chosen) { list.appendChild(el("li", "", item.row.location_id + " " + G.placeOf(item.row) + ": " + words(item.way))); }
      });
      if (list.childNodes.length) { children.push(el("h3", "", "The other locations"), list); }
    }
    G.showPanel(children, "You are at the ring with the white middle");
  }
  /* another location was chosen: the words and the line follow, the map stays */
  G.chose = function () {
    if (watch === null || !last) { return; }
    draw(G.map, null);
    panel();
  };
  function draw(map, first) {
    var spot = [last.lat, last.lon];
    layers.forEach(function (layer) { layer.remove(); });
    layers = [
      L.circle(spot, { radius: last.accuracy_m, color: "#0072b2", weight: 3, fillOpacity: 0.08, interactive: false }).addTo(map),
      G.mark(map, spot, "mk-here", el("span"), "")
    ];
    if (G.chosen) { layers.push(L.polyline([spot, [G.chosen.lat, G.chosen.lon]], { color: "#0072b2", weight: 3, dashArray: "2 8", interactive: false }).addTo(map)); }
    if (first === null) { return; }
    var bounds = L.latLngBounds([spot]);
    if (G.chosen) { bounds.extend([G.chosen.lat, G.chosen.lon]); } else { bounds.extend(G.wholeJob()); }
    if (first || !map.getBounds().contains(spot)) { map.fitBounds(bounds, { padding: [40, 40], maxZoom: 20, animate: false }); }
  }
  G.unlocate = function () {
    if (watch !== null) { navigator.geolocation.clearWatch(watch); watch = null; }
  };
  G.locate = function (map, told) {
    var first = true;
    function refused() {
      G.unlocate();
      G.showPanel([el("p", "said", "The position was refused or is not available. The map works without it: read the number on the pole.")], "Where am I");
      if (told) { told(["The position was refused or is not available. Read the number on the pole."]); }
    }
    if (!navigator.geolocation) { refused(); return; }
    G.unlocate();
    watch = navigator.geolocation.watchPosition(function (found) {
      var next = { lat: found.coords.latitude, lon: found.coords.longitude, accuracy_m: found.coords.accuracy };
      if (!first && last && G.between(last, next).distance_m < 1 && next.accuracy_m > last.accuracy_m - 1) { return; }
      last = next;
      draw(map, first);
      panel();
      if (told) { told(G.chosen ? G.hereWords(G.chosen) : []); }
      first = false;
    }, function () { if (first) { refused(); } }, { enableHighAccuracy: true, timeout: 10000, maximumAge: 5000 });
  };
})();
