/* What is asked before a tick that may be a slip, what was refused at a step, and what entries say.
   The plan and a record's standing in, words out. Classic script, text only ever by textContent. */
(function () {
  "use strict";
  var G = window.gridground, el = G.el;
  var SAME_M = 0.005, AHEAD_MS = 600000; /* ten minutes, our judgement */
  function by(entry) { return entry.who + " at " + G.clockText(entry.at); }

  /* ---- a lead's own number against the kit of the plan ---- */
  /* copper by AWG (ASTM B258, from memory), kcmil or as written [mm²]; null where it is no size */
  G.area = function (size) {
    var found = /^(?:(\d+(?:\.\d+)?) ?mm2|([1-4])\/0|(\d+))$/.exec(size);
    if (!found) { return null; }
    if (found[1]) { return +found[1]; }
    if (found[3] && +found[3] >= 250) { return +found[3] * 0.506707; }
    return Math.PI / 4 * Math.pow(0.127 * Math.pow(92, (36 - (found[2] ? 1 - found[2] : +found[3])) / 39), 2);
  };
  function kitLeads() { return G.plan.kit && G.plan.kit.leads && G.plan.kit.leads.length ? G.plan.kit.leads : null; }
  function toldFor(book, state, number, item) {
    var found = null;
    state.ticked.forEach(function (entry) {
      var other = book.byId.get(entry.step_id);
      if (entry.values.lead_number === number && other && other.step.lead_id !== item.step.lead_id) { found = "lead " + other.step.lead_id + " (step " + other.id + ", " + by(entry) + ")"; }
    });
    state.used.forEach(function (entry, lead) {
      if (entry.values.lead_number === number && lead !== item.step.lead_id) { found = "lead " + lead + " (" + by(entry) + ")"; }
    });
    return found;
  }
  function unfit(own, lead) {
    var said = [], has_mm2 = G.area(own.size), wants_mm2 = G.area(lead.size), needed = lead.needed_m || lead.length_m, name = "Lead " + own.lead_id + " of the kit is ";
    if (own.length_m < needed - SAME_M) { said.push(name + G.feet(own.length_m) + " long, too short: " + lead.lead_id + " needs " + G.feet(needed) + ". Take the planned length."); }
    if (own.length_m > lead.length_m + SAME_M) { said.push(name + G.feet(own.length_m) + " long; the plan counts on " + G.feet(lead.length_m) + " here. A longer lead is another plan: take the planned length, or write it down as another lead."); }
    if (has_mm2 && wants_mm2 && has_mm2 < wants_mm2 * 0.999) { said.push(name + "size " + own.size + ", smaller than the plan's " + lead.size + " for " + lead.lead_id + ": it carries less. Take the planned size."); }
    return said;
  }
  /* Return what is to be looked at before a lead of this number hangs here; `anew`: its size and
     length are written down beside it, and the plan is made anew with them. */
  G.heldNumber = function (book, state, number, item, anew) {
    var leads = kitLeads(), said = [], other = number ? toldFor(book, state, number, item) : null, out;
    if (!number) { return said; }
    if (other) { said.push("Lead number " + number + " was told for " + other + " already. One lead hangs in one place: read both numbers again."); }
    if (!leads) { return said; }
    var own = leads.filter(function (row) { return row.lead_id === number; })[0];
    if (!own) {
      var near = leads.filter(function (row) { return row.lead_id.toLowerCase() === number.toLowerCase().replace(/\s/g, ""); })[0];
      said.push("Lead number " + number + " is not in the kit of this plan: its size, length and test are not known. " +
        (near ? "Is it " + near.lead_id + "? Write it as the kit has it." : anew ? "Read it again." : "Read it again; if it is right, write it down with its size and length as another lead."));
      return said;
    }
    if (item.lead && !anew) { said = said.concat(unfit(own, item.lead)); }
    out = G.plan.kit.out_of_test.filter(function (row) { return row.lead_id === number; })[0];
    if (out) { said.push("Lead " + number + " is out of test: " + out.why + ". Take one that is in test."); }
    return said;
  };
  /* Return the small words under the field. */
  G.kitWords = function (book, state, number, item) {
    var leads = kitLeads(), said = G.heldNumber(book, state, number, item);
    if (!leads) { said.push("No kit stated: number not held against anything" + (number ? " but the other numbers here." : ".")); }
    else if (number && !said.length) {
      var own = leads.filter(function (row) { return row.lead_id === number; })[0];
      said.push("In the kit: size " + own.size + ", " + G.feet(own.length_m) + ".");
    }
    return said.join(" ");
  };

  /* ---- what was refused ---- */
  G.readingsAt = function (state, item) {
    return (state.refused.get(item.id) || []).filter(function (entry) { return entry.values.detector !== undefined; });
  };
  function refusedWords(entry) {
    return (entry.values.detector === undefined ? "refused: typed " + entry.values.typed : "refused reading: " + entry.values.detector) + ", by " + by(entry);
  }
  /* Return what was refused at a step, in lines; null where nothing was. */
  G.refusedAt = function (state, item) {
    var rows = state.refused.get(item.id);
    if (!rows) { return null; }
    var made = el("div", "refusals");
    rows.forEach(function (entry) { made.appendChild(el("p", "", refusedWords(entry))); });
    return made;
  };
  G.spokenRefusals = function (book, state) {
    var all = [];
    state.refused.forEach(function (rows, step) { rows.forEach(function (entry) { if (entry.values.detector !== undefined) { all.push([step, entry]); } }); });
    if (!all.length) { return []; }
    var last = all.reduce(function (a, b) { return b[1].at >= a[1].at ? b : a; }), item = book.byId.get(last[0]);
    return ["Refused readings: " + all.length + ". Last: step " + last[0] + (item && item.pole ? " at pole " + item.pole : "") + ", " + last[1].values.detector + ", told by " + by(last[1]) + "."];
  };

  /* ---- questions before a tick: a second press goes on, and the record holds what was asked ---- */
  function outside(item, at) {
    var block = G.plan.clearance || {}, from = block.work_start, to = block.work_end, when = new Date(at), side = "";
    if (from && when < new Date(from)) { side = "before"; }
    if (to && when > new Date(to)) { side = "after"; }
    function clock(iso) { return iso ? G.clockText(G.isoLocal(new Date(iso))) : "not stated"; }
    if (when - new Date() > AHEAD_MS) { return [{ text: "This tick is " + clock(at) + ", later than this tablet's clock. Is the time right?" }]; }
    return !side ? [] : [{
      once: item.part + side,
      text: "This tick is " + side + " the time of the clearance: from " + clock(from) + " to " + clock(to) + ". Ask the clearance holder."
    }];
  }
  function nearer(item, values) {
    var check = (G.plan.checks || []).filter(function (row) { return row.code === "rod_setback" && row.where.indexOf(item.pole) >= 0; })[0];
    if (!check || values.rod_taped_m === undefined || values.rod_taped_m >= check.limit - 0.001) { return []; }
    return ["The rod is " + G.feet(values.rod_taped_m) + " from the pole by tape; the plan keeps " + G.feet(check.limit) + ". Drive it farther off and measure again."];
  }
  G.questions = function (task, item, read) {
    var found = outside(item, read.at), before = G.readingsAt(task.state, item).slice(-1)[0];
    if (before) { found.push({ text: before.values.detector + " was told here by " + by(before) + ". Found since: " + read.found + ". Is that so, and has the clearance holder been told?" }); }
    G.heldNumber(task.book, task.state, read.values.lead_number, item).forEach(function (text) { found.push({ text: text }); });
    nearer(item, read.values).forEach(function (text) { found.push({ text: text }); });
    if (item.part === "work" && item.index > 0 && !task.state.people.length) { found.push({ text: "Nobody is marked on the line. Mark who goes up, below, before the work is ticked." }); }
    if (item.part === "remove" || item.part === "release") {
      var texts = task.kept.unheld();
      if (texts.length) { found.push({ once: item.part + texts.join(), text: texts.join(". ") + ". Look first: is anybody on the line, does anything else hang?" }); }
    }
    return found;
  };
  /* Return { stop } with what is asked now, or { asked } with what this press answers. */
  G.ask = function (task, item, questions) {
    var open = questions.filter(function (one) { return !task.answered.has(one.once || ""); });
    var texts = open.map(function (one) { return one.text; }), key = item.id + " " + texts.join(" ");
    if (texts.length && task.shown !== key) {
      task.shown = key;
      return { stop: texts.join(" ") + " Press again only when somebody has looked." };
    }
    task.shown = "";
    open.forEach(function (one) { if (one.once) { task.answered.add(one.once); } });
    return { asked: texts.slice(0, 12).map(function (text) { return G.cleaned(text, 400); }) };
  };

  /* ---- what an entry says beside who and when ---- */
  G.besides = function (entry) {
    return (entry.found ? " Found after the reading: " + entry.found + "." : "") + (entry.asked ? " Pressed again after: " + entry.asked.join(" ") : "");
  };
})();
