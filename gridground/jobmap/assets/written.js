/* What is written down beside the ticks: soil and rod measured at a pole, a lead other than the
   plan's. The planner reads it; until then a lead that differs is not ticked. Classic script. */
(function () {
  "use strict";
  var G = window.gridground, el = G.el;
  /* sizes of the table of leads; any other is written as text, as 70 mm2 */
  var SIZES = /^([1-6]|[1-4]\/0|250|350|\d{1,3}(\.\d+)? mm2)$/, FOOT_M = 0.3048;
  function number(text, least, most) {
    return /^\d+(\.\d+)?$/.test(text) && +text >= least && +text <= most ? +text : null;
  }
  /* as the reader of records has it: 4 to 500 mm² */
  function isSize(text) {
    var metric = /^(\d{1,3}(?:\.\d+)?) mm2$/.exec(text);
    return SIZES.test(text) && text.length <= 16 && (!metric || (+metric[1] >= 4 && +metric[1] <= 500));
  }
  function unitChoice(draft) {
    var made = G.choice("Length in", ["feet", "metres"], draft.unit || "", function (words) { draft.unit = words; });
    return made;
  }
  function another(item, draft, write) {
    var box = el("div", "form"), size = G.entry(16, draft.size), length = G.entry(8, draft.length), tag = G.entry(40, draft.tag);
    length.inputMode = "decimal";
    size.addEventListener("input", function () { draft.size = size.value; });
    length.addEventListener("input", function () { draft.length = length.value; });
    tag.addEventListener("input", function () { draft.tag = tag.value; });
    box.append(
      el("p", "small", "The plan has size " + item.lead.size + ", " + G.feet(item.lead.length_m) + ". Write what is to go on instead."),
      G.field("Size, as 2/0 or 70 mm2", "used-size", size), G.field("Length", "used-length", length), unitChoice(draft), G.field("Number on the lead, if it has one", "used-number", tag),
      G.button("Write this lead down", "", function (event) {
        if (G.tooSoon(event)) { return; }
        var words = size.value.trim(), long = number(length.value.trim(), 0.1, 328), values = { size: words }, name = G.cleaned(tag.value, 64);
        if (!isSize(words)) { write("Write the size of the lead as 4, 2, 1/0, 2/0, 4/0, 250 or 70 mm2."); return; }
        if (long !== null) { values.length_m = +(draft.unit === "metres" ? long : long * FOOT_M).toFixed(3); }
        if (long === null || values.length_m > 100 || values.length_m < 0.1) { write("Write the length of the lead as a number with a point, as 12.5."); return; }
        if (!draft.unit) { write("Say whether the length is in feet or in metres."); return; }
        if (name) { values.lead_number = name; }
        write(null, { kind: "lead used", lead_id: item.lead.lead_id, values: values });
      })
    );
    return box;
  }
  function ground(item, draft, write) {
    var box = el("div", "form"), soil = G.entry(10, draft.soil), rod = G.entry(10, draft.rodAgain), place = G.locationOf(item.pole);
    soil.inputMode = rod.inputMode = "decimal";
    soil.addEventListener("input", function () { draft.soil = soil.value; });
    rod.addEventListener("input", function () { draft.rodAgain = rod.value; });
    box.appendChild(G.field("Soil resistivity measured here, ohm·m", "measured-soil", soil));
    if (place && place.rod) { box.appendChild(G.field("Rod resistance measured again, ohm", "measured-rod", rod)); }
    box.appendChild(G.button("Write this measurement down", "", function (event) {
      if (G.tooSoon(event)) { return; }
      var values = {}, one = number(soil.value.trim(), 0.1, 1e6), two = number(rod.value.trim(), 0.01, 1e6);
      if ((soil.value.trim() && one === null) || (rod.value.trim() && two === null)) { write("Write what was measured as a number with a point, as 38.5."); return; }
      if (one !== null) { values.soil_ohm_m = one; }
      if (two !== null) { values.rod_ohm = two; }
      if (!Object.keys(values).length) { write("Nothing is written yet."); return; }
      write(null, { kind: "measured", pole_id: item.pole, values: values });
    }));
    return box;
  }
  /* Return the folded fields of one step; `write(missing, entry)` takes what was written. */
  G.writeDown = function (item, draft, write) {
    var made = el("div", "writedown");
    function folded(words, inside, key) {
      var box = el("details");
      box.append(el("summary", "", words), inside);
      box.open = !!draft[key];
      box.addEventListener("toggle", function () { draft[key] = box.open; });
      made.appendChild(box);
    }
    if (item.lead && item.part === "apply") { folded("Another lead than the plan's", another(item, draft, write), "openLead"); }
    if (item.pole !== null) { folded("Write down a measurement at " + item.pole, ground(item, draft, write), "openGround"); }
    return made;
  };
})();
