/* The page of one job: draws the plan on the map and says whether the page is whole.
   Classic script, no network, text only ever by textContent. */
(function () {
  "use strict";
  var root = document.documentElement;
  var G = { plan: null, map: null, drawn: [], failed: null };
  window.gridground = G;
  root.classList.add("scripted");

  /* ---- small tools ---- */
  /* controls, and those that reorder what is read, become visible; as in the static page */
  function plain(text) {
    return String(text).replace(/[\u0000-\u0008\u000b\u000c\u000e-\u001f\u007f\u202a-\u202e\u2066-\u2069]/g, "\ufffd").replace(/\r\n?/g, "\n");
  }
  function el(tag, css, text) {
    var made = document.createElement(tag);
    if (css) { made.className = css; }
    if (text !== undefined && text !== null) { made.textContent = plain(text); }
    if (G.lengths && / ft/.test(made.textContent)) { G.lengths(made); }
    return made;
  }
  G.el = el; G.plain = plain;
  function svg(box, parts) {
    var space = "http://www.w3.org/2000/svg";
    var made = document.createElementNS(space, "svg");
    made.setAttribute("viewBox", box);
    parts.forEach(function (part) {
      var shape = document.createElementNS(space, "path");
      Object.keys(part).forEach(function (key) { shape.setAttribute(key, part[key]); });
      made.appendChild(shape);
    });
    return made;
  }
  function feet(metres) {
    var inches = Math.ceil(metres / 0.0254 - 1e-6), whole = Math.floor(inches / 12), rest = inches % 12;
    if (Math.abs(metres - inches * 0.0254) >= 1e-4) { metres = Math.ceil(metres / 0.01 - 1e-9) * 0.01; }
    return whole + " ft" + (rest ? " " + rest + " in" : "") + " (" + metres.toFixed(2) + " m)";
  }
  var POINTS = "N NNE NE ENE E ESE SE SSE S SSW SW WSW W WNW NW NNW".split(" ");
  function bearing(deg) { return Math.floor(deg + 0.5) % 360 + "° (" + POINTS[Math.floor(deg / 22.5 + 0.5) % 16] + ")"; }
  function at(point) { return [point[1], point[0]]; }
  function where(row) { return [row.lat, row.lon]; }
  var LETTERS = { buried_power: "E", buried_gas: "G", buried_telecom: "C", buried_water: "W", buried_sewer: "S" };
  var COLOURS = { buried_power: "#f4776b", buried_gas: "#f7dd3c", buried_telecom: "#f0a030", buried_water: "#7fb8ee", buried_sewer: "#6fbf73" };
  var DASHES = { buried_gas: "14 5", buried_telecom: "6 5", buried_water: "20 5 4 5", buried_sewer: "3 4" };
  function own(table, key) { return Object.prototype.hasOwnProperty.call(table, key) ? table[key] : undefined; }

  /* ---- the plan, read once ---- */
  G.read = function () {
    if (!G.plan) {
      G.text = G.unpacked(JSON.parse(document.getElementById("plan-data").textContent));
      G.plan = JSON.parse(G.text);
      G.hash = document.getElementById("plan-hash").textContent;
    }
    return G.plan;
  };
  function placeOf(location) { return location.pole_id || "span " + (location.span_id || "not stated"); }
  function leadsAt(location) {
    return G.plan.leads.filter(function (lead) {
      return lead.pole_id === location.pole_id && (location.pole_id !== null || lead.span_id === location.span_id);
    });
  }
  function locationOf(poleId) {
    return G.plan.locations.filter(function (row) { return row.pole_id === poleId; })[0];
  }

  /* ---- layers; each is called by the map's own script ---- */
  function mark(map, spot, css, sign, word) {
    var box = el("div", "mk " + css);
    if (sign) { box.appendChild(sign); sign.classList.add("mk-sign"); }
    if (word) { box.appendChild(el("span", "mk-word", word)); }
    var icon = L.divIcon({ html: box, className: "", iconSize: [0, 0] });
    return L.marker(spot, { icon: icon, interactive: false, keyboard: false }).addTo(map);
  }
  function signed(text) { return el("span", "", text); }
  function stroke(map, points, colour, weight, dash, renderer) {
    var options = { color: colour, weight: weight, interactive: false, lineCap: "butt" };
    if (dash) { options.dashArray = dash; }
    if (renderer) { options.renderer = renderer; }
    return L.polyline(points, options).addTo(map);
  }
  // A label names one or two sources; the table of ways out names them all.
  function fewSources(sources) {
    return sources.length > 2 ? sources[0] + " and " + (sources.length - 1) + " more" : sources.join(", ") || "no source known";
  }

  function parts(geometry) {
    var c = geometry.coordinates;
    switch (geometry.type) {
      case "Point": return { points: [c] };
      case "MultiPoint": return { points: c };
      case "LineString": return { lines: [c] };
      case "MultiLineString": return { lines: c };
      case "Polygon": return { areas: [c] };
      case "MultiPolygon": return { areas: c };
      default: return {};
    }
  }
  var AREAS = {
    building: { fillColor: "#c9c9c9", weight: 2.5, color: "#000" },
    water: { fillColor: "#dcecf9", dashArray: "10 3 2 3", color: "#000" },
    sidewalk: { fillColor: "#eeeeee", dashArray: "5 3" },
    no_entry: { fillColor: "#f4f4f4", weight: 3, color: "#000", dashArray: "3 3" },
    road: { fillColor: "#dedede" }, driveway: { fillColor: "#dedede" }, paved: { fillColor: "#dedede" }
  };
  G.surroundings = function (map) {
    var canvas = L.canvas({ padding: 0.5 });
    var rows = G.read().picture.surroundings.slice();
    rows.sort(function (a, b) { return (a.kind in LETTERS ? 1 : 0) - (b.kind in LETTERS ? 1 : 0); });
    rows.forEach(function (row) {
      var letter = own(LETTERS, row.kind), shape = parts(row.geometry);
      var word = row.name || row.kind.replace(/_/g, " ");
      (shape.areas || []).forEach(function (rings) {
        var look = { color: "#555", weight: 1.5, fillColor: "#f4f4f4", fillOpacity: 1, interactive: false, renderer: canvas };
        Object.assign(look, own(AREAS, row.kind) || {});
        L.polygon(rings.map(function (ring) { return ring.map(at); }), look).addTo(map);
        if (!letter) {
          mark(map, L.latLngBounds(rings[0].map(at)).getCenter(), "mk-name", null, word);
        }
      });
      (shape.lines || []).forEach(function (line) {
        var points = line.map(at);
        if (letter) {
          stroke(map, points, "#000", 7, null, canvas);
          stroke(map, points, COLOURS[row.kind], 4, own(DASHES, row.kind), canvas);
        } else {
          stroke(map, points, "#333", 3, row.kind === "fence" ? "2 5" : null, canvas);
        }
        for (var i = 1; i < points.length; i += 1) {
          var middle = [(points[i][0] + points[i - 1][0]) / 2, (points[i][1] + points[i - 1][1]) / 2];
          if (letter) { mark(map, middle, "mk-letter " + row.kind.replace("_", "-"), signed(letter)); }
          else if (i === 1) { mark(map, middle, "mk-name", null, word); }
        }
      });
      (shape.points || []).forEach(function (point) {
        L.circleMarker(at(point), { radius: 6, color: "#000", weight: 2, dashArray: "2 2", fillColor: "#fff", fillOpacity: 1, interactive: false, renderer: canvas }).addTo(map);
        mark(map, at(point), "mk-name", null, word);
      });
    });
    G.drawn.push("surroundings");
  };
  G.wires = function (map) {
    var picture = G.read().picture;
    function labelled(points, text) {
      var half = Math.floor((points.length - 1) / 2), a = points[half], b = points[half + 1] || a;
      mark(map, [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2], "mk-name", null, text);
    }
    picture.other_lines.forEach(function (row) {
      var points = row.line.map(at);
      if (!points.length) { return; }
      stroke(map, points, "#000", 4, "16 6 4 6");
      labelled(points, row.line_id + (row.state === "energized" ? " energized" : " recorded out of service, treat as energized"));
    });
    picture.spans.forEach(function (row) {
      var points = row.line.map(at);
      if (!points.length) { return; }
      stroke(map, points, "#000", 5, row.worked ? null : "16 6 4 6");
      if (!row.worked) { labelled(points, row.circuit_id + " energized"); }
      else if (row.kind === "cable") { labelled(points, row.circuit_id + " cable"); }
    });
    G.drawn.push("wires");
  };
  function outlined(map, geometry) {
    (parts(geometry).areas || []).forEach(function (rings) {
      var points = rings.map(function (ring) { return ring.map(at); });
      L.polygon(points, { color: "#000", weight: 7, fill: false, interactive: false }).addTo(map);
      L.polygon(points, { color: "#f0a030", weight: 4, fillColor: "#f0a030", fillOpacity: 0.22, interactive: false }).addTo(map);
    });
  }
  /* a cone, its number on the side turned away from the middle of its zone */
  function cone(map, spot, number, middle) {
    var sign = el("span");
    sign.appendChild(svg("0 0 16 16", [{ d: "M8 1 L15 15 H1 Z", fill: "#f0a030", stroke: "#000", "stroke-width": "1.6" }]));
    var word = mark(map, spot, "mk-cone", sign, number).options.icon.options.html.querySelector(".mk-word");
    if (!word) { return; }
    var a = map.project(spot, 22), b = map.project(middle, 22), size = a.distanceTo(b) || 1;
    word.style.left = (18 * (a.x - b.x) / size).toFixed(1) + "px";
    word.style.top = (18 * (a.y - b.y) / size).toFixed(1) + "px";
  }
  G.zones = function (map) {
    var plan = G.read(), joint = plan.zones && plan.cones;
    if (joint) {
      plan.zones.forEach(function (row) {
        outlined(map, row.geometry);
        plan.cones.filter(function (one) { return one.zone_id === row.zone_id; }).forEach(function (one) {
          var place = plan.locations.filter(function (other) { return other.location_id === one.part; })[0];
          var middle = L.latLngBounds(place ? [where(place), where(place.rod || place)] : row.geometry.coordinates[0].map(at)).getCenter();
          cone(map, where(one), String(one.number), middle);
        });
      });
    }
    (plan.traffic || []).forEach(function (row) {
      row.drawn.forEach(function (point) { mark(map, at(point), "mk-device", el("span")).setZIndexOffset(-1000); });
    });
    plan.locations.forEach(function (location) {
      var zone = location.zone, rod = location.rod;
      if (zone && !joint) {
        outlined(map, zone.geometry);
        (zone.cone_points || []).forEach(function (point) { cone(map, at(point)); });
      }
      if (rod) {
        stroke(map, [where(location), where(rod)], "#000", 4, "7 3");
        var sign = el("span");
        sign.appendChild(svg("0 0 34 34", [
          { d: "M17 2 a15 15 0 1 0 .1 0 Z", fill: "#fff", stroke: "#000", "stroke-width": "3" },
          { d: "M17 7 V17 M8 17 H26 M11.500 21.500 H22.500 M14.500 26 H19.500", fill: "none", stroke: "#000", "stroke-width": "3" }
        ]));
        mark(map, where(rod), "mk-rod", sign, "rod " + feet(rod.distance_m) + ", " + bearing(rod.bearing_deg));
        (G.rodMarks = G.rodMarks || []).push([sign, location]);
      }
    });
    if (plan.vehicle) {
      mark(map, where(plan.vehicle), "mk-pole", el("span"), "truck");
      if (plan.vehicle.rod) { mark(map, where(plan.vehicle.rod), "mk-pole", el("span"), "truck's rod"); }
    }
    G.drawn.push("zones");
  };
  G.poles = function (map) {
    var plan = G.read();
    plan.picture.poles.forEach(function (row) {
      if (!locationOf(row.pole_id)) { mark(map, where(row), "mk-pole", el("span"), row.pole_id); }
    });
    plan.locations.forEach(function (row) {
      var letter = row.role === "bracket" ? "B" : row.role === "worksite" ? "W" : "?";
      mark(map, where(row), "mk-ground", signed(letter), placeOf(row)).setZIndexOffset(1000);
    });
    G.drawn.push("poles");
  };
  G.ways = function (map) {
    var plan = G.read(), spots = {}, lines = {};
    plan.picture.poles.forEach(function (row) { spots["p" + row.pole_id] = where(row); });
    plan.picture.spans.forEach(function (row) { lines["s" + row.span_id] = row.line.map(at); });
    plan.directions.forEach(function (way, number) {
      var start = spots["p" + way.pole_id], outer = spots["p" + way.bracket_pole_id], line = lines["s" + way.span_id], alone = false;
      if (!start) { return; }
      if (!outer || outer === start) {
        if (!line || !line.length) { return; }
        var ends = [line[0], line[line.length - 1]];
        outer = map.distance(ends[0], start) > map.distance(ends[1], start) ? ends[0] : ends[1];
        alone = true;
      }
      /* beyond the bracket, or at the pole where none is set, pointing back at the worksite */
      var a = map.project(start, 20), b = map.project(outer, 20), size = a.distanceTo(b) || 1;
      var beyond = (alone ? a : b).add(b.subtract(a).multiplyBy(Math.min(0.3, 60 / size)));
      var angle = Math.atan2(a.y - b.y, a.x - b.x) * 180 / Math.PI;
      var sign = el("span");
      sign.appendChild(svg("0 0 60 60", [
        { d: "M6 24 H32 V12 L56 30 L32 48 V36 H6 Z", fill: "#000", stroke: "#fff", "stroke-width": "2", transform: "rotate(" + angle.toFixed(1) + " 30 30)" }
      ]));
      (G.reach = G.reach || []).push(map.unproject(beyond, 20));
      mark(map, map.unproject(beyond, 20), "mk-way", sign, "D" + (number + 1) + " " + way.towards + ": " + fewSources(way.sources));
      /* at any zoom clear of the square it points at, its words behind it */
      var out = b.subtract(a).multiplyBy(44 / size), words = sign.nextSibling, up = Math.abs(out.y) > Math.abs(out.x);
      sign.style.left = words.style.left = out.x.toFixed(0) + "px";
      sign.style.top = out.y.toFixed(0) + "px";
      words.style.top = (up ? out.y * 1.9 : 34).toFixed(0) + "px";
    });
    G.drawn.push("ways");
  };

  /* ---- buttons and panel ---- */
  function boundsOf(location) {
    var bounds = L.latLngBounds([where(location)]);
    if (location.rod) { bounds.extend(where(location.rod)); }
    if (location.zone) {
      (parts(location.zone.geometry).areas || []).forEach(function (rings) { bounds.extend(rings[0].map(at)); });
    }
    return bounds;
  }
  function wholeJob() {
    var bounds = L.latLngBounds([]);
    G.plan.locations.forEach(function (row) { bounds.extend(boundsOf(row)); });
    (G.reach || []).forEach(function (spot) { bounds.extend(spot); });
    if (!bounds.isValid()) { G.plan.picture.poles.forEach(function (row) { bounds.extend(where(row)); }); }
    return bounds;
  }
  G.feet = feet; G.bearing = bearing; G.mark = mark; G.placeOf = placeOf; G.locationOf = locationOf; G.wholeJob = wholeJob; G.boundsOf = boundsOf;
  G.showPanel = showPanel;
  function showPanel(children, title) {
    var panel = document.getElementById("panel");
    panel.replaceChildren();
    var head = el("div", "head"), close = el("button", "", "Close");
    close.type = "button";
    close.addEventListener("click", function () { if (G.unlocate) { G.unlocate(); } panel.classList.remove("shown"); panel.replaceChildren(); opened(false); });
    head.appendChild(el("h3", "", title));
    head.appendChild(close);
    panel.appendChild(head);
    children.forEach(function (child) { panel.appendChild(child); });
    panel.classList.add("shown");
    opened(true);
  }
  /* the map makes room for the panel, so that both can be seen at once */
  function opened(is) {
    document.getElementById("map-section").classList.toggle("opened", is);
    if (G.map) { G.map.invalidateSize(); }
  }
  G.showPole = function (poleId, location) {
    G.chosen = location || null;
    var plan = G.plan, children = [], place = location ? placeOf(location) : poleId;
    if (location) {
      children.push(el("p", "said", (location.title || location.role)));
      if (location.rod) {
        children.push(el("p", "said", "Rod " + feet(location.rod.distance_m) + " from the pole, bearing " + bearing(location.rod.bearing_deg)));
      }
      var leads = leadsAt(location);
      children.push(el("h3", "", "Leads here"));
      var list = el("ul");
      leads.forEach(function (lead) {
        var many = lead.parallel > 1 ? lead.parallel + " in parallel × " : "";
        list.appendChild(el("li", "", lead.lead_id + ": " + (lead.from_said || lead.from) + " → " + (lead.to_said || lead.to) + ", " + many + lead.size + ", " + feet(lead.length_m)));
      });
      children.push(list);
    }
    ["prepare", "apply", "work", "remove", "release"].forEach(function (part) {
      var steps = plan.steps[part].filter(function (step) { return step.pole_id !== null && step.pole_id === poleId; });
      if (!steps.length) { return; }
      children.push(el("h3", "", part.charAt(0).toUpperCase() + part.slice(1)));
      var list = el("ul");
      steps.forEach(function (step) { list.appendChild(el("li", "", (plan.steps[part].indexOf(step) + 1) + ". " + step.text)); });
      children.push(list);
    });
    plan.picture.devices.concat(plan.picture.equipment).forEach(function (row) {
      if (row.pole_id === poleId) {
        children.push(el("p", "said", row.kind + " " + (row.device_id || row.equipment_id) + (row.state ? ", recorded " + row.state : "")));
      }
    });
    if (!children.length) { children.push(el("p", "said", "Nothing is done at this pole.")); }
    showPanel(children, (location ? location.location_id + " " : "Pole ") + place);
  };
  function tapped(map, event) {
    var best = null, least = 40, size = map.latLngToContainerPoint(event.latlng);
    function near(spot, pole, location) {
      var distance = map.latLngToContainerPoint(spot).distanceTo(size) - (location ? 8 : 0);
      if (distance < least) { least = distance; best = [pole, location]; }
    }
    G.plan.locations.forEach(function (row) {
      near(where(row), row.pole_id, row);
      if (row.rod) { near(where(row.rod), row.pole_id, row); }
    });
    G.plan.picture.poles.forEach(function (row) { near(where(row), row.pole_id, locationOf(row.pole_id)); });
    if (best) { G.showPole(best[0], best[1]); }
  }
  G.controls = function (map) {
    var plan = G.read(), bar = document.getElementById("buttons"), all = [];
    G.map = map;
    function pressed(button) { all.forEach(function (other) { other.setAttribute("aria-pressed", String(other === button)); }); }
    function button(words, action) {
      var made = el("button", "", words);
      made.type = "button";
      made.addEventListener("click", action);
      bar.appendChild(made);
      return made;
    }
    function go(bounds, zoom) { map.fitBounds(bounds, { padding: G.isNarrow(map) ? [38, 60] : [72, 88], maxZoom: zoom, animate: false }); }
    G.go = function (location) { G.chosen = location; pressed(all[1 + plan.locations.indexOf(location)]); go(boundsOf(location), 20.5); G.chose(); };
    var whole = button("Whole job", function () { go(wholeJob(), 20); pressed(whole); });
    all.push(whole);
    plan.locations.forEach(function (row) {
      var made = button(row.location_id + " " + placeOf(row), function () {
        pressed(made);
        G.showPole(row.pole_id, row);
        go(boundsOf(row), 21.5);
      });
      all.push(made);
    });
    button("Where am I", function () { G.locate(map); });
    function nearness() {
      var box = map.getContainer();
      box.classList.toggle("narrow", G.isNarrow(map));
      for (var zoom = 15; zoom <= 21; zoom += 1) { box.classList.toggle("near-" + zoom, map.getZoom() >= zoom); }
      G.rodsApart(map);
      G.untangle(map);
    }
    map.on("zoomend", nearness);
    /* marks are put in their new places after the end of a move that is a jump */
    map.on("moveend viewreset", function () { G.untangle(map); });
    map.on("click", function (event) { tapped(map, event); });
    window.addEventListener("resize", function () { map.invalidateSize(); nearness(); });
    var first = G.firstView(map);
    go(first || wholeJob(), 20);
    pressed(first ? null : whole);
    nearness();
    window.addEventListener("beforeprint", function () {
      document.querySelectorAll("details").forEach(function (folded) { folded.open = true; });
    });
    G.drawn.push("controls");
  };
})();
