/* Work mode: one step at a time, ticks by name and time, leads counted on and off. Runs only in a
   page that whole.js found whole; a plan that is not ready is read here and not ticked.
   Classic script, text only ever by textContent. */
(function () {
  "use strict";
  var root = document.documentElement, G = window.gridground, el = G.el;
  var task = { book: null, kept: null, state: null, ready: false, at: null, view: "step", drafts: new Map(), sure: false, since: 0, summed: 0, answered: new Set(), shown: "" };
  var LEAST_MS = 700; /* nobody reads a step in less; our judgement */
  var box, counts, notes, view, say, done, line, top;

  /* a refusal stands over everything until the next press; what was done is a line above the step */
  function told(text) {
    say.textContent = G.plain(text || "");
    say.classList.toggle("shown", !!text);
    if (text) { done.textContent = ""; }
  }
  function wrote(text) { told(""); done.textContent = G.plain(text || ""); }
  function blocked() {
    if (task.book.faults.length) { return "The steps of this plan cannot be ticked: " + task.book.faults.join("; ") + "."; }
    return task.ready ? null : "The plan is NOT READY: its open items and failed checks come first. Its steps can be read here and are not ticked.";
  }
  function draftOf(item) {
    if (!task.drafts.has(item.id)) { task.drafts.set(item.id, {}); }
    return task.drafts.get(item.id);
  }
  function tickedText(entry) {
    var text = "ticked by " + entry.who + " at " + G.clockText(entry.at);
    return entry.at === entry.clock ? text : text + " (time corrected; tablet clock " + G.clockText(entry.clock) + ")";
  }
  function valuesText(values) {
    var said = [];
    if (values.rod_ohm !== undefined) { said.push("rod " + values.rod_ohm + " ohm"); }
    if (values.rod_lat !== undefined) { said.push("rod position taken, good to about " + values.rod_accuracy_m + " m"); }
    if (values.rod_taped_m !== undefined) { said.push("rod at " + G.feet(values.rod_taped_m) + " by tape" + (values.rod_bearing_deg === undefined ? "" : ", bearing " + values.rod_bearing_deg + "°")); }
    if (values.vehicle_rod_taped_m !== undefined) { said.push("truck's rod " + G.feet(values.vehicle_rod_taped_m) + " from the grounds by tape"); }
    if (values.detector !== undefined) { said.push("detector " + values.detector); }
    if (values.typed !== undefined) { said.push("typed " + values.typed); }
    if (values.lead_number !== undefined) { said.push("lead number " + values.lead_number); }
    if (values.size !== undefined) { said.push("size " + values.size); }
    if (values.length_m !== undefined) { said.push("length " + G.feet(values.length_m)); }
    if (values.soil_ohm_m !== undefined) { said.push("soil " + values.soil_ohm_m + " ohm·m"); }
    return said.join("; ");
  }
  function add(entry, whyNot, words) {
    var reason = task.kept.add(entry, function (entries) { return whyNot(G.standing(task.book, entries)); });
    if (reason) { told(reason); return false; }
    wrote(words);
    return true;
  }
  function now() { return G.isoLocal(new Date()); }

  G.tooSoon = function (event) {
    if (event.detail === 0 || window.performance.now() - task.since >= LEAST_MS) { return false; }
    say.textContent = "That press came as this appeared, and was not taken. Read it, then press.";
    say.classList.add("shown");
    return true;
  };
  /* A button that writes. What it writes over is drawn anew, and the second press of a double tap
     lands on what comes next: the next lead, the next name. A key's press has detail 0. */
  function writing(words, css, action) {
    return G.button(words, css, function (event) { if (!G.tooSoon(event)) { action(); } });
  }

  /* Ask what a tick raises; true where this press is the second one. What was asked goes along. */
  function answered(item, questions, entry) {
    var said = G.ask(task, item, questions);
    if (said.stop) { task.since = window.performance.now(); told(said.stop); return false; }
    if (said.asked.length) { entry.asked = said.asked; }
    return true;
  }

  /* ---- what is done ---- */
  function tick(item, form) {
    var reason = blocked() || G.whyNot(task.book, task.state, item);
    if (reason) { told(reason); return; }
    var read = form.read();
    if (read.missing) { told(read.missing); return; }
    var entry = { kind: "tick", step_id: item.id, who: read.who, at: read.at, clock: read.clock, values: read.values };
    if (read.found) { entry.found = read.found; }
    if (!answered(item, G.questions(task, item, read), entry)) { return; }
    G.rememberWho(read.who);
    if (!add(entry, function (state) {
      /* a reading that another tab wrote while this form stood there */
      return G.readingsAt(state, item).length && !entry.found ? "A reading was told at this step meanwhile. Look at it again." : G.whyNot(task.book, state, item);
    }, "Step " + item.id + " " + tickedText(entry) + ".")) { return; }
    task.drafts.delete(item.id);
    go(G.nextStep(task.book, task.state) || item);
  }
  /* a reading is in the record at once, whether or not somebody goes on to press the tick */
  function refuse(item, values, why) {
    var field = document.getElementById("tick-who"), name = G.cleaned(field ? field.value : "", 40) || G.lastWho() || "nobody named";
    var is = !values || add({ kind: "refused", step_id: item.id, who: name, at: now(), clock: now(), values: values, why: G.cleaned(why, 200) }, function () { return null; }, "");
    told(why + (is ? "" : " It could not be written down: tell it by voice."));
  }
  function undo(item, who) {
    var name = G.cleaned(who, 40), is;
    if (!name) { told("Write who undoes."); return; }
    G.rememberWho(name);
    /* two tabs may have ticked it at the same moment: every tick of the step is undone */
    do {
      var entry = task.state.ticked.get(item.id);
      is = add({ kind: "undo", undoes: entry ? entry.id : "", who: name, at: now(), clock: now() }, function (state) {
        return G.whyNotUndo(task.book, state, item);
      }, "The tick of step " + item.id + " was undone by " + name + ". Both stay in the record.");
    } while (is && task.state.has(item));
    if (is) { go(item); }
  }
  function mark(kind, who) {
    var name = G.cleaned(who, 40), reason = blocked() || (name ? null : "Write the name of who goes on the line.");
    if (reason) { told(reason); return; }
    add({ kind: kind, who: name, at: now(), clock: now() }, function (state) {
      if (kind === "on the line") { return G.whyNotOn(task.book, state, name); }
      return G.isThere(state.people, name) ? null : name + " is not marked on the line.";
    }, name + " is marked " + kind + ".");
  }

  function writeDown(item) {
    var draft = draftOf(item);
    return G.writeDown(item, draft, function (missing, entry) {
      var field = document.getElementById("tick-who"), name = G.cleaned(field ? field.value : G.lastWho(), 40);
      missing = blocked() || missing || (name ? null : "Write who ticks; the same name stands with what is written down.");
      if (missing) { told(missing); return; }
      var held = G.heldNumber(task.book, task.state, entry.values.lead_number, item, true);
      if (!answered(item, held.map(function (text) { return { text: text }; }), entry)) { return; }
      G.rememberWho(name);
      Object.assign(entry, { who: name, at: now(), clock: now() });
      task.drafts.set(item.id, { openLead: draft.openLead, openGround: draft.openGround });
      add(entry, function () { return null; }, "Written down by " + name + ": " + valuesText(entry.values) + ".");
    });
  }
  function takeBack(entry) {
    var name = G.lastWho();
    add({ kind: "undo", undoes: entry.id, who: name || entry.who, at: now(), clock: now() }, function (state) {
      return state.undone.has(entry.id) ? "That is undone already." : null;
    }, "Undone. Both entries stay in the record.");
  }

  /* ---- one step ---- */
  function leadWords(item) {
    var lead = item.lead, ends = item.step.ends || [lead.from, lead.to], off = item.part === "remove", made = el("div", "leadwords");
    made.appendChild(el("p", "biglead", "Lead " + lead.lead_id + (lead.parallel > 1 ? ", " + lead.parallel + " equal cables" : "")));
    made.appendChild(el("p", "with", "size " + lead.size + ", " + G.feet(lead.length_m)));
    var list = el("ol", "ends");
    ends.forEach(function (end, n) {
      var row = el("li", "");
      row.append(el("span", "when", (n ? "then " : "first ") + (off ? "off" : "to")), el("b", "end", end === lead.from ? lead.from_said || end : end === lead.to ? lead.to_said || end : end));
      list.appendChild(row);
    });
    made.appendChild(list);
    return made;
  }
  function stateText(item) {
    var entry = task.state.ticked.get(item.id);
    if (entry) { return tickedText(entry); }
    if (blocked()) { return "not ticked"; }
    var reason = G.whyNot(task.book, task.state, item);
    if (reason) { return "not yet"; }
    return item === G.nextStep(task.book, task.state) ? "do this next" : "can be done now";
  }
  function tickedCard(item) {
    var made = el("div", "done"), entry = task.state.ticked.get(item.id), values = valuesText(entry.values);
    made.appendChild(el("p", "state", "Step " + item.id + ": " + tickedText(entry) + "."));
    if (values) { made.appendChild(el("p", "", "Written down: " + values + ".")); }
    if (G.besides(entry)) { made.appendChild(el("p", "", G.besides(entry).trim())); }
    if (!task.sure) {
      made.appendChild(writing("Undo this tick", "undo", function () { task.sure = true; render(); }));
      return made;
    }
    var who = G.entry(40, G.lastWho()), row = el("div", "taskbar");
    row.append(
      writing("Yes, undo it", "undo-yes", function () { task.sure = false; undo(item, who.value); render(); }),
      G.button("No, leave it", "", function () { task.sure = false; render(); })
    );
    made.append(el("p", "", "Undo only a tick that was made by mistake. Tick and undo both stay in the record."), G.field("Who undoes", "undo-who", who), row);
    return made;
  }
  function card(item) {
    var step = item.step, made = el("article", "stepcard"), part = task.book.of[item.part], reason = blocked() ? null : G.whyNot(task.book, task.state, item);
    var place = item.pole ? G.locationOf(item.pole) : null, head = el("p", "stepno");
    head.append(el("b", "", G.PART_WORDS[item.part] + ": step " + (item.index + 1) + " of " + part.length), document.createTextNode(" (" + G.plain(item.id) + ") "), el("span", "badge", stateText(item)));
    made.appendChild(head);
    made.tabIndex = -1;
    made.setAttribute("aria-label", "Step " + item.id + (item.pole ? " at pole " + item.pole : ""));
    made.appendChild(el("p", "bigpole" + (item.pole ? "" : " nopole"), item.pole || "Whole job"));
    if (place) { made.appendChild(el("p", "role", place.location_id + " · " + (place.title || place.role))); }
    if (item.lead) { made.appendChild(leadWords(item)); } else { made.appendChild(el("p", "bigtext", step.text)); }
    (step.remarks || []).forEach(function (text) { made.appendChild(el("p", "remark", text)); });
    if (step.tool) { made.appendChild(el("p", "with", "With: " + step.tool)); }
    if (item.lead) { made.appendChild(el("p", "small", step.text)); }
    var refused = G.refusedAt(task.state, item);
    if (refused) { made.appendChild(refused); }
    if (task.state.has(item)) { made.appendChild(tickedCard(item)); }
    else if (!blocked()) {
      if (reason) { made.appendChild(el("p", "notyet", "Not yet. " + reason)); }
      else if (item.part === "remove" && !task.state.leaving) { made.appendChild(el("p", "notyet", "This tick begins the way off: leads on " + task.state.on + " of " + task.book.total + ". After it no lead goes on.")); }
      var form = G.tickForm(step, draftOf(item), {
        refuse: function (values, why) { refuse(item, values, why); },
        readings: G.readingsAt(task.state, item),
        held: function (number) { return G.kitWords(task.book, task.state, number, item); }
      });
      made.appendChild(form.node);
      made.appendChild(writing(reason ? "Tick (not yet)" : "Tick this step", "tick" + (reason ? " waits" : ""), function () { tick(item, form); }));
    }
    if (!blocked()) { made.appendChild(writeDown(item)); }
    return made;
  }
  function around(item) {
    var row = el("div", "taskbar"), steps = task.book.steps, n = steps.indexOf(item), next = G.nextStep(task.book, task.state);
    function to(words, other) {
      var made = G.button(words, "", function () { wrote(""); go(other); });
      made.disabled = !other;
      row.appendChild(made);
    }
    to("◀ Previous", steps[n - 1]);
    to("Next ▶", steps[n + 1]);
    if (next && next !== item) { to("To " + next.id + ", which is next", next); }
    return row;
  }
  function whereTo(item) {
    var place = item.pole ? G.locationOf(item.pole) : null, made = el("div", "whereto");
    if (!place) { return made; }
    var said = el("div", "here");
    said.setAttribute("role", "status");
    function show(lines) { said.replaceChildren.apply(said, lines.map(function (text) { return el("p", "", text); })); }
    show(G.hereWords(place));
    made.append(G.button("Where is it from here?", "", function () {
      G.go(place);
      G.locate(G.map, function (lines) { show(lines); });
    }), said);
    return made;
  }
  function onTheLine() {
    var made = el("section", "people"), people = task.state.people, input = G.entry(40, "");
    made.setAttribute("aria-label", "On the line");
    made.appendChild(el("h2", "", "On the line: " + (people.length ? people.join(", ") : "nobody is marked")));
    if (blocked()) { return made; }
    made.appendChild(el("p", "small", "Names and counts are those of this tablet alone: one tablet keeps them for the whole job."));
    if (!people.length && (task.state.on !== task.book.total || task.state.leaving)) {
      made.appendChild(el("p", "", task.state.leaving ? "Leads are coming off: nobody is marked any more." : "People are marked here when all " + task.book.total + " leads are counted on."));
      return made;
    }
    people.forEach(function (who) { made.appendChild(writing(who + " is off the line", "off", function () { mark("off the line", who); })); });
    made.appendChild(G.field("Who goes on the line", "line-who", input));
    made.appendChild(writing("Mark on the line", "", function () { mark("on the line", input.value); }));
    return made;
  }

  /* ---- all steps ---- */
  function list() {
    var made = el("div", "all");
    ["prepare", "apply", "work", "remove", "release"].forEach(function (part) {
      made.appendChild(el("h2", "", G.PART_WORDS[part]));
      task.book.of[part].forEach(function (item) {
        var row = G.button("", "steprow", function () { wrote(""); go(item); }), words = el("span", "words");
        var what = item.lead ? "Lead " + item.lead.lead_id + ": " + (item.step.ends || []).join(" → ") : item.step.text;
        words.append(el("span", "what", what));
        var entry = task.state.ticked.get(item.id), noted = entry ? valuesText(entry.values) + G.besides(entry) : "";
        if (noted) { words.appendChild(el("span", "small", "Written down: " + noted)); }
        (item.step.remarks || []).forEach(function (text) { words.appendChild(el("b", "remark", text)); });
        words.appendChild(el("span", "state", stateText(item)));
        var refused = G.refusedAt(task.state, item);
        if (refused) { words.appendChild(refused); }
        row.append(el("b", "no", item.id), el("b", "pole", item.pole || "–"), words);
        if (task.state.has(item)) { row.classList.add("is"); }
        made.appendChild(row);
      });
    });
    var log = el("ol", "log"), byId = new Map();
    task.kept.entries.forEach(function (entry, n) {
      byId.set(entry.id, n + 1);
      var text = entry.kind === "tick" ? "step " + entry.step_id + " " + tickedText(entry) :
        entry.kind + (entry.kind === "undo" ? " of entry " + byId.get(entry.undoes) + " by" : ":") + " " + entry.who + " at " + G.clockText(entry.at);
      if (entry.kind === "refused") { text = "step " + entry.step_id + " REFUSED, told by " + entry.who + " at " + G.clockText(entry.at) + ": " + valuesText(entry.values) + ". " + entry.why; }
      if (entry.kind === "measured" || entry.kind === "lead used") { text += ", " + (entry.pole_id || entry.lead_id) + ": " + valuesText(entry.values); }
      text += G.besides(entry);
      var row = el("li", "", text + (task.state.undone.has(entry.id) ? " (undone)" : ""));
      if (["measured", "lead used"].indexOf(entry.kind) >= 0 && !task.state.undone.has(entry.id) && !blocked()) {
        row.appendChild(writing("Undo entry " + (n + 1), "undo-entry", function () { takeBack(entry); }));
      }
      log.appendChild(row);
    });
    made.append(el("h2", "", "Every entry, in order: " + task.kept.entries.length), log);
    return made;
  }

  /* ---- the whole view ---- */
  function count(words, value, css) {
    var made = el("span", "count " + css);
    made.append(el("span", "of", words + " "), el("b", "", value));
    return made;
  }
  function render() {
    var typing = document.activeElement && box.contains(document.activeElement) ? document.activeElement.id : "";
    var state = task.state = G.standing(task.book, task.kept.entries), item = task.at, why = blocked();
    top.querySelectorAll("[data-view]").forEach(function (made) { made.setAttribute("aria-pressed", String(made.dataset.view === task.view)); });
    counts.replaceChildren(
      count("Leads on", state.on + " of " + task.book.total, ""), count("off", String(state.off), ""),
      state.still === 0 && state.off ? count("difference", "0", "zero") : count("STILL ON", String(state.still), state.still ? "still" : ""),
      count("on the line", state.people.length ? String(state.people.length) : "nobody", "")
    );
    notes.replaceChildren();
    if (why) { notes.appendChild(el("p", "banner", why)); }
    if (task.kept.trouble) { notes.appendChild(el("p", "banner", task.kept.trouble)); }
    G.clashes(task.book, state).forEach(function (text) { notes.appendChild(el("p", "banner", text)); });
    task.kept.unheld().forEach(function (text) { notes.appendChild(el("p", "banner", text + ". The counts here do not hold that: look at the poles for what hangs.")); });
    if (task.kept.others.length) { notes.appendChild(el("p", "banner thin", "This browser also holds ticks of this job under another plan (" + task.kept.others.map(function (other) { return other.hash; }).join(", ") + "). They do not count here.")); }
    if (task.summed !== task.kept.entries.length) { task.summed = task.kept.entries.length; task.kept.sum(state); }
    task.since = window.performance.now();
    line.replaceChildren();
    if (task.view === "list") { view.replaceChildren(list()); }
    else if (task.view === "out") { view.replaceChildren(G.handover(task, told)); }
    else {
      view.replaceChildren(card(item), around(item), whereTo(item));
      line.appendChild(onTheLine());
    }
    opener();
    if (typing && document.getElementById(typing)) { document.getElementById(typing).focus(); }
  }
  function go(item) {
    if (task.at && task.at !== item) { delete draftOf(task.at).when; }
    task.at = item;
    task.view = "step";
    task.sure = false;
    task.shown = "";
    render();
    var place = item.pole ? G.locationOf(item.pole) : null;
    if (!root.classList.contains("working")) { return; }
    if (place) { G.go(place); }
    view.firstChild.focus({ preventScroll: true });
    window.scrollTo(0, 0);
  }
  function show(name) { task.view = name; wrote(""); render(); window.scrollTo(0, 0); }
  function enter() {
    root.classList.add("working");
    box.hidden = false;
    G.map.invalidateSize();
    go(G.nextStep(task.book, task.state) || task.at);
    wrote("");
  }
  function leave() {
    root.classList.remove("working");
    box.hidden = true;
    G.unlocate();
    G.map.invalidateSize();
    document.getElementById("task-open").focus();
  }
  function opener() {
    var open = document.getElementById("task-open"), done = task.state.ticked.size;
    open.textContent = (task.ready ? "Work from this plan, step by step" : "Read the steps one by one") + (done ? " (" + done + " of " + task.book.steps.length + " ticked)" : "");
  }
  function build() {
    box = document.getElementById("task");
    /* a key that is held down presses once */
    box.addEventListener("keydown", function (event) { if (event.repeat && event.target.tagName === "BUTTON") { event.preventDefault(); } });
    top = el("div", "taskbar head");
    counts = el("div", "counts");
    notes = el("div", "notices");
    view = el("div", "view");
    line = el("div", "line");
    say = el("p", "say");
    done = el("p", "wrote");
    done.id = "task-done";
    done.setAttribute("role", "status");
    say.id = "task-say";
    say.setAttribute("role", "alert");
    counts.setAttribute("role", "status");
    counts.id = "task-counts";
    top.appendChild(G.button("Leave", "", leave));
    [["step", "Step"], ["list", "All steps"], ["out", "Hand over"]].forEach(function (pair) {
      var made = G.button(pair[1], "", function () { show(pair[0]); });
      made.dataset.view = pair[0];
      top.appendChild(made);
    });
    var stuck = el("div", "stuck");
    stuck.append(top, counts);
    box.replaceChildren(el("h1", "unseen", "Step by step: " + G.plan.title), stuck, notes, done, view, line, say);
  }
  G.task = function (ready) {
    task.ready = ready === true;
    task.book = G.book(G.plan);
    if (!task.book.steps.length) { return; }
    build();
    task.kept = G.keep(G.plan, G.hash, function () { if (task.kept) { render(); } });
    task.state = G.standing(task.book, task.kept.entries);
    task.at = G.nextStep(task.book, task.state) || task.book.steps[0];
    var open = document.getElementById("task-open");
    open.hidden = false;
    open.addEventListener("click", enter);
    opener();
  };
})();
