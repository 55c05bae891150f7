/* A narrow screen: its first view has all grounds, without the ways to them, and rods in sight from
   farther off. Classic script. */
(function () {
  "use strict";
  var G = window.gridground, NARROW_PX = 480, CLEAR_PX = 26;
  G.isNarrow = function (map) { return map.getSize().x < NARROW_PX; };
  /* Return what the map shows first, or null where the whole job is shown. */
  G.firstView = function (map) {
    var bounds = L.latLngBounds([]);
    G.plan.locations.forEach(function (row) { bounds.extend(G.boundsOf(row)); });
    return G.isNarrow(map) && bounds.isValid() ? bounds : null;
  };
  /* Where a rod would lie under the square of its pole, its sign stands beside it, in its bearing. */
  G.rodsApart = function (map) {
    (G.rodMarks || []).forEach(function (pair) {
      var place = pair[1], rod = place.rod, turn = rod.bearing_deg * Math.PI / 180;
      var away = map.latLngToLayerPoint([place.lat, place.lon]).distanceTo(map.latLngToLayerPoint([rod.lat, rod.lon]));
      var by = G.isNarrow(map) ? Math.max(0, CLEAR_PX - away) : 0;
      pair[0].style.left = (by * Math.sin(turn)).toFixed(1) + "px";
      pair[0].style.top = (-by * Math.cos(turn)).toFixed(1) + "px";
    });
  };
})();
