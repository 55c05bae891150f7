/* The first view on a narrow screen: the worksite and the grounds beside it, near enough for rods and
   zones; the whole job is a button. Classic script. */
(function () {
  "use strict";
  var G = window.gridground, NARROW_PX = 480, NEAR = 18.5;
  G.isNarrow = function (map) { return map.getSize().x < NARROW_PX; };
  /* Return what the map shows first, or null where the whole job is shown. */
  G.firstView = function (map) {
    var places = G.plan.locations, work = places.filter(function (row) { return row.role === "worksite"; });
    if (!G.isNarrow(map) || !work.length) { return null; }
    var bounds = L.latLngBounds([]), room = L.point(76, 120);
    work.forEach(function (row) { bounds.extend(G.boundsOf(row)); });
    var middle = bounds.getCenter();
    places.filter(function (row) { return work.indexOf(row) < 0; }).sort(function (a, b) {
      return map.distance([a.lat, a.lon], middle) - map.distance([b.lat, b.lon], middle);
    }).forEach(function (row) {
      var more = L.latLngBounds(bounds.getSouthWest(), bounds.getNorthEast()).extend(G.boundsOf(row));
      if (map.getBoundsZoom(more, false, room) >= NEAR) { bounds = more; }
    });
    return bounds;
  };
})();
