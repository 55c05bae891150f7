/* The tick of the truck's own rod takes its distance from the grounds of the poles, by tape. It
   stands in front of what every tick asks for. Classic script. */
(function () {
  "use strict";
  var G = window.gridground, plainForm = G.tickForm, FOOT_M = 0.3048, FARTHEST_M = 150;
  G.tickForm = function (step, draft, refuse) {
    var form = plainForm(step, draft, refuse), read = form.read, input;
    if ((step.asks || []).indexOf("vehicle_rod_taped_m") < 0) { return form; }
    input = G.entry(12, draft.truck);
    input.inputMode = "decimal";
    input.addEventListener("input", function () { draft.truck = input.value; });
    form.node.insertBefore(G.field("From the truck's rod to the nearest grounds of a pole by tape, feet", "tick-truck", input), form.node.firstChild);
    form.read = function () {
      var text = input.value.trim(), away_m = +text * FOOT_M, found;
      if (!/^\d+(\.\d+)?$/.test(text) || +text < 0.1 || away_m > FARTHEST_M) { return { missing: "Write the distance in feet as a number with a point, as 12.5." }; }
      if (step.least_m && away_m < step.least_m - 0.001) { return { missing: "That is nearer than the plan asks for, " + G.feet(step.least_m) + ": the rod is driven farther off." }; }
      found = read();
      if (!found.missing) { found.values.vehicle_rod_taped_m = +away_m.toFixed(4); }
      return found;
    };
    return form;
  };
})();
