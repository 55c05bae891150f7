/* What a tick takes: who, when, and what the step has to be measured. Classic script; what people
   type is text and nothing else. */
(function () {
  "use strict";
  var G = window.gridground, el = G.el;
  var FARTHEST_M = 150; /* of a rod from its pole; our judgement */
  var names = { last: "", clock: 0 };
  G.field = function (label, id, input) {
    var box = el("p", "field"), said = el("label", "", label);
    said.htmlFor = input.id = id;
    box.append(said, input);
    return box;
  };
  G.entry = function (longest, value) {
    var made = el("input");
    made.type = "text";
    made.maxLength = longest;
    made.autocomplete = "off";
    made.value = value || "";
    return made;
  };
  G.button = function (words, css, action) {
    var made = el("button", css, words);
    made.type = "button";
    made.addEventListener("click", action);
    return made;
  };
  /* of this job only: nobody ticks another job in the name of the last one */
  function remembered() { return "gridground-record/1 who " + (G.plan ? G.plan.job_id : ""); }
  G.lastWho = function () {
    if (!names.last) { try { names.last = G.cleaned(window.localStorage.getItem(remembered()) || "", 40); } catch (error) { names.last = ""; } }
    return names.last;
  };
  G.rememberWho = function (who) {
    names.last = who;
    try { window.localStorage.setItem(remembered(), who); } catch (error) { names.last = who; }
  };

  /* two answers beside each other; the pressed one also says so by its border and a word */
  G.choice = choice;
  function choice(label, answers, picked, pick) {
    var box = el("fieldset", "choice"), row = el("div", "row");
    box.appendChild(el("legend", "", label));
    var all = answers.map(function (words, n) {
      var made = G.button(words, "", function () { pick(words); press(words); });
      made.id = "pick-" + n + "-" + label.replace(/[^A-Za-z0-9]+/g, "-");
      made.dataset.word = words;
      row.appendChild(made);
      return made;
    });
    function press(words) {
      all.forEach(function (made) {
        var is = made.dataset.word === words;
        made.setAttribute("aria-pressed", String(is));
        made.textContent = G.plain((is ? "✓ " : "") + made.dataset.word);
      });
    }
    press(picked);
    box.appendChild(row);
    return box;
  }
  /* the phases of the readings told before, by this page or the one that was closed */
  function phasesOf(readings) {
    var found = [];
    readings.forEach(function (entry) {
      var said = /READING on ([^;(]*)/.exec(entry.values.detector);
      if (said) { said[1].split(",").forEach(function (phase) { if (found.indexOf(phase.trim()) < 0) { found.push(phase.trim()); } }); }
    });
    return found;
  }
  /* what was read before is asked about: what was found goes into the record */
  function foundSince(draft, readings) {
    var last = readings[readings.length - 1], input = G.entry(200, draft.found);
    input.addEventListener("input", function () { draft.found = input.value; });
    return {
      node: G.field("What was found after the reading, and who cleared it", "tick-found", input),
      read: function (values, read) {
        read.found = G.cleaned(input.value, 200);
        return /\p{L}{3}/u.test(read.found) ? null : last.values.detector + " was told here by " + last.who + " at " + G.clockText(last.at) + ". Before this step is ticked write what was found, and who cleared it.";
      }
    };
  }
  function detector(step, draft, about) {
    var box = el("div"), phases = step.phases && step.phases.length ? step.phases : ["every phase"], volts = G.entry(20, draft.volts), seen = phasesOf(about.readings);
    draft.read = draft.read || new Map();
    volts.addEventListener("input", function () { draft.volts = volts.value; });
    volts.addEventListener("change", function () { if (on("READING").length) { tell(); } });
    function tell() {
      var words = told();
      about.refuse(words === draft.told ? null : { detector: words }, stop(on("READING")));
      draft.told = words;
    }
    function stop(names) { return "A reading on " + names.join(", ") + ": STOP. This step is not ticked. Tell the clearance holder."; }
    function on(words) { return phases.filter(function (phase) { return draft.read.get(phase) === words; }); }
    /* all that the form says at that moment, for the record of what was refused */
    function told() {
      var clear = on("no reading"), shown = G.cleaned(volts.value, 20);
      return G.cleaned("READING on " + on("READING").join(", ") + (shown ? " (" + shown + (/[a-z]/i.test(shown) ? "" : " V") + ")" : "") + (clear.length ? "; no reading on " + clear.join(", ") : "") + (draft.proved ? "; proved before and after" : ""), 200);
    }
    box.appendChild(choice("Detector", ["proved before and after"], draft.proved ? "proved before and after" : "", function () { draft.proved = true; }));
    phases.forEach(function (phase) {
      box.appendChild(choice("Detector on " + phase, ["no reading", "READING"], draft.read.get(phase), function (words) {
        draft.read.set(phase, words);
        if (words === "READING") { tell(); } else { draft.told = ""; }
      }));
    });
    box.appendChild(G.field("Volts shown, if the detector tells them", "tick-volts", volts));
    return {
      node: box,
      read: function (values) {
        var any = on("READING");
        if (any.length) { return stop(any); }
        var left = phases.filter(function (phase) { return !draft.read.get(phase); });
        if (left.length) { return "Say what the detector showed on " + left.join(", ") + "."; }
        if (!draft.proved) { return "The detector is proved before and after, then the step is ticked."; }
        /* a reading that was pressed and taken back stays in the words, in front of all that could be cut */
        values.detector = G.cleaned((seen.length ? "READING pressed first on " + seen.join(", ") + "; then " : "") + "proved before and after; no reading on " + phases.join(", "), 200);
        return null;
      }
    };
  }
  function rod(step, draft, about) {
    /* a figure that cannot be is refused, and stays to be seen; once, however often it is pressed */
    function refused(words, why) {
      if (draft.typed !== words) { draft.typed = words; about.refuse({ typed: G.cleaned(words, 200) }, why); }
      return why;
    }
    var box = el("div"), input = G.entry(12, draft.ohm), spot = el("p", "small", draft.spot || "");
    input.inputMode = "decimal";
    input.addEventListener("input", function () { draft.ohm = input.value; });
    box.appendChild(G.field("Rod resistance measured, ohm", "tick-ohm", input));
    box.appendChild(choice("or", ["not measured"], draft.unmeasured ? "not measured" : "", function () { draft.unmeasured = true; input.value = draft.ohm = ""; }));
    spot.setAttribute("role", "status");
    function told(text) { draft.spot = text; spot.textContent = G.plain(text); }
    box.appendChild(G.button("Rod stands here: take this position", "", function () {
      if (!navigator.geolocation) { told("No position on this device. The rod counts where the plan has it."); return; }
      navigator.geolocation.getCurrentPosition(function (found) {
        var c = found.coords, pole = G.locationOf(step.pole_id), away_m = pole ? G.between({ lat: c.latitude, lon: c.longitude }, pole).distance_m : 0;
        if (away_m > FARTHEST_M) {
          var far = "That is " + away_m.toFixed(0) + " m from the pole, farther than a lead reaches. The position was not taken.";
          told(far);
          refused("rod position " + c.latitude.toFixed(7) + ", " + c.longitude.toFixed(7), far);
          return;
        }
        draft.position = { rod_lon: +c.longitude.toFixed(7), rod_lat: +c.latitude.toFixed(7), rod_accuracy_m: Math.min(10000, +c.accuracy.toFixed(1)) };
        told("Position taken, good to about " + c.accuracy.toFixed(0) + " m.");
      }, function () { told("The position was refused or is not available. The rod counts where the plan has it."); }, { enableHighAccuracy: true, timeout: 10000 });
    }));
    box.appendChild(spot);
    var tape = G.entry(12, draft.tape), bearing = G.entry(12, draft.bearing);
    [[tape, "tape"], [bearing, "bearing"]].forEach(function (pair) {
      pair[0].inputMode = "decimal";
      pair[0].addEventListener("input", function () { draft[pair[1]] = pair[0].value; });
    });
    box.appendChild(G.field("Rod from the pole by tape, feet", "tick-tape", tape));
    box.appendChild(G.field("Its bearing from the pole, degrees from true north", "tick-bearing", bearing));
    /* what a tape measured stands before the device's position */
    function taped(values) {
      var feet = tape.value.trim(), deg = bearing.value.trim();
      if (!feet && !deg) { return null; }
      var long = "Write the rod's distance from the pole in feet as a number with a point, as 16.5.";
      if (!/^\d+(\.\d+)?$/.test(feet)) { return long; }
      if (+feet < 0.1 || +feet * 0.3048 > FARTHEST_M) { return refused("rod " + feet + " ft from the pole", long); }
      if (deg && (!/^\d+(\.\d+)?$/.test(deg) || +deg > 360)) { return "Write the bearing in degrees from 0 to 360."; }
      if (!deg && !draft.position) { return "With the distance write the bearing too, or take the position."; }
      values.rod_taped_m = +(+feet * 0.3048).toFixed(4);
      if (deg) { values.rod_bearing_deg = +deg; }
      return null;
    }
    return {
      node: box,
      read: function (values) {
        var text = input.value.trim(), wrong = taped(values);
        if (wrong) { return wrong; }
        if (draft.position) { Object.assign(values, draft.position); }
        if (!text) { return draft.unmeasured ? null : "Write the rod's resistance, or press “not measured”."; }
        var ohms = "Write the rod's resistance in ohm as a number with a point, as 38.5.";
        if (!/^\d+(\.\d+)?$/.test(text)) { return ohms; }
        if (+text < 0.01 || +text > 1e6) { return refused("rod " + text + " ohm", ohms); }
        values.rod_ohm = +text;
        return null;
      }
    };
  }
  function leadNumber(draft, held) {
    var box = el("div"), input = G.entry(40, draft.number), said = el("p", "small");
    said.id = "tick-lead-kit";
    said.setAttribute("role", "status");
    function look() { said.textContent = G.plain(held(G.cleaned(input.value, 64))); }
    input.addEventListener("input", function () { draft.number = input.value; look(); });
    look();
    box.append(G.field("Number on the lead, if it has one", "tick-lead", input), said);
    return {
      node: box,
      read: function (values) {
        var text = G.cleaned(input.value, 64);
        if (text) { values.lead_number = text; }
        return null;
      }
    };
  }

  /* Return the fields of one step's tick; `read` gives what was written or what is missing.
     `about.refuse(values, why)` takes a reading at once: nobody ticks after one; `about.readings`
     are those of the step so far, `about.held(number)` says what the kit knows of a lead. */
  G.tickForm = function (step, draft, about) {
    var box = el("div", "form"), asks = step.asks || [], parts = [];
    if (asks.indexOf("detector") >= 0) { parts.push(detector(step, draft, about)); }
    if (asks.indexOf("rod_ohm") >= 0 && step.pole_id !== null) { parts.push(rod(step, draft, about)); }
    if (asks.indexOf("lead_number") >= 0) { parts.push(leadNumber(draft, about.held)); }
    if (about.readings.length) { parts.push(foundSince(draft, about.readings)); }
    parts.forEach(function (part) { box.appendChild(part.node); });
    var who = G.entry(40, draft.who === undefined ? G.lastWho() : draft.who), when = el("input"), pair = el("div", "pairs");
    who.addEventListener("input", function () { draft.who = who.value; });
    when.type = "datetime-local";
    when.value = draft.when || G.isoLocal(new Date()).slice(0, 16);
    when.addEventListener("input", function () { draft.when = when.value; });
    /* the time shown runs on until somebody corrects it */
    window.clearInterval(names.clock);
    names.clock = window.setInterval(function () {
      if (!draft.when && document.activeElement !== when) { when.value = G.isoLocal(new Date()).slice(0, 16); }
    }, 5000);
    pair.append(G.field("Who ticks", "tick-who", who), G.field("When, by this tablet; correct it if it is wrong", "tick-when", when));
    box.appendChild(pair);
    return {
      node: box,
      read: function () {
        var values = {}, read = {}, missing = null, now = new Date();
        parts.forEach(function (part) { missing = missing || part.read(values, read); });
        var name = G.cleaned(who.value, 40), at = draft.when ? new Date(draft.when) : now;
        if (!missing && !name) { missing = "Write who ticks."; }
        if (!missing && (isNaN(at) || at.getFullYear() < 2000 || at.getFullYear() > 2999)) { missing = "Write when, as day and time."; }
        if (missing) { return { missing: missing }; }
        return Object.assign(read, { who: name, at: G.isoLocal(at), clock: G.isoLocal(now), values: values });
      }
    };
  };
})();
