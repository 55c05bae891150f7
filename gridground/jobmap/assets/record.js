/* The record of one job on this tablet: kept in the browser under job and plan hash, merged
   between tabs, handed over as JSON, as a short text and as letters to compare. Classic script. */
(function () {
  "use strict";
  var G = window.gridground;
  var FORMAT = "gridground-record/1";
  /* ICAO Annex 10, volume II, 5.2.1.3, from memory */
  var ALPHABET = ("Alfa Bravo Charlie Delta Echo Foxtrot Golf Hotel India Juliett Kilo Lima Mike November Oscar Papa " +
    "Quebec Romeo Sierra Tango Uniform Victor Whiskey X-ray Yankee Zulu").split(" ");
  var KEYS = {
    tick: ["step_id", "values"], undo: ["undoes"], "on the line": [], "off the line": [],
    measured: ["pole_id", "values"], "lead used": ["lead_id", "values"], refused: ["step_id", "values", "why"]
  };
  /* what was asked and pressed over; what was found after a reading */
  var MORE = ["asked", "found"];

  /* ---- texts and times ---- */
  /* one line of visible signs; what reorders or hides text goes, and letters that show as nothing */
  G.cleaned = function (text, longest) {
    return Array.from(String(text).normalize("NFC").replace(/[\p{C}\p{Default_Ignorable_Code_Point}\u2800]/gu, " ").replace(/\s+/g, " ").trim()).slice(0, longest).join("").trim();
  };
  function two(number) { return ("0" + Math.abs(number)).slice(-2); }
  G.isoLocal = function (date) {
    var away = -date.getTimezoneOffset();
    return date.getFullYear() + "-" + two(date.getMonth() + 1) + "-" + two(date.getDate()) + "T" + two(date.getHours()) + ":" +
      two(date.getMinutes()) + ":" + two(date.getSeconds()) + (away < 0 ? "-" : "+") + two(Math.trunc(away / 60)) + ":" + two(away % 60);
  };
  G.clockText = function (iso) { return iso.slice(0, 10) + " " + iso.slice(11, 16); };
  function canonical(value) {
    if (Array.isArray(value)) { return "[" + value.map(canonical).join(",") + "]"; }
    if (value && typeof value === "object") {
      return "{" + Object.keys(value).sort().map(function (key) { return JSON.stringify(key) + ":" + canonical(value[key]); }).join(",") + "}";
    }
    return JSON.stringify(value);
  }

  /* ---- what was kept: whole, or not read at all ---- */
  function isText(value, longest) { return typeof value === "string" && value.length > 0 && Array.from(value).length <= longest; }
  function isTime(value) { return isText(value, 40) && /^\d{4}-\d\d-\d\dT\d\d:\d\d/.test(value) && !isNaN(Date.parse(value)); }
  function holds(entry) {
    if (!entry || typeof entry !== "object" || !isText(entry.id, 80) || !Object.prototype.hasOwnProperty.call(KEYS, entry.kind)) { return false; }
    if (!isText(entry.who, 200) || !isTime(entry.at) || !isTime(entry.clock)) { return false; }
    if (entry.asked !== undefined && !(Array.isArray(entry.asked) && entry.asked.length && entry.asked.every(function (text) { return isText(text, 400); }))) { return false; }
    if (entry.found !== undefined && !isText(entry.found, 200)) { return false; }
    return KEYS[entry.kind].every(function (key) {
      return key === "values" ? !!entry.values && typeof entry.values === "object" && !Array.isArray(entry.values) : isText(entry[key], 200);
    });
  }
  function parsed(text) {
    var rows = text === null ? [] : JSON.parse(text);
    if (!Array.isArray(rows) || !rows.every(holds)) { throw new Error("another shape"); }
    if (merged([], rows).length !== rows.length) { throw new Error("entries that do not fit together"); }
    return rows;
  }
  /* every entry once; an undo stands behind what it undoes, and nothing is undone twice */
  function merged(first, second) {
    var known = new Map(), undone = new Set();
    return first.concat(second).filter(function (entry) {
      if (known.has(entry.id)) { return false; }
      if (entry.kind === "undo") {
        if (undone.has(entry.undoes) || !known.has(entry.undoes) || known.get(entry.undoes) === "undo") { return false; }
        undone.add(entry.undoes);
      }
      known.set(entry.id, entry.kind);
      return true;
    });
  }

  /* Every tab writes all entries under the job's one key, and its own once more under a key that no
     other tab writes: a tab that wakes up and writes what it knew before takes nothing away. */
  /* what hangs under the plan before, by its record, until the job says that somebody looked */
  function hanging(plan) {
    return (plan.occurrences || []).filter(function (row) { return row.code === "leads_hang_under_earlier_plan" && !row.settled; })
      .map(function (row) { return row.text.split(". ")[0]; });
  }
  G.keep = function (plan, hash, changed) {
    var place = " " + hash + " " + plan.job_id, key = FORMAT + place, sumKey = FORMAT + "=" + place, ownKeys = FORMAT + "+" + place + " ";
    var kept = { entries: [], trouble: "", others: [], doubts: hanging(plan) }, frozen = false, made = 0;
    var tab = Date.now().toString(36) + "-" + Math.random().toString(36).slice(2, 10);
    function refused(error) {
      return "This browser does not keep the ticks (" + (error && error.name || "refused") + "). They are in this page only: hand the record over before you close it.";
    }
    function names(start) {
      return Object.keys(window.localStorage).filter(function (name) { return name.indexOf(start) === 0; }).sort();
    }
    function read() {
      if (frozen) { return; }
      var texts;
      try { texts = [key].concat(names(ownKeys)).map(function (name) { return window.localStorage.getItem(name); }); } catch (error) { kept.trouble = refused(error); return; }
      try {
        var lists = texts.map(parsed), found = lists[0].concat(kept.entries), count;
        lists.slice(1).forEach(function (rows) { found = found.concat(rows); });
        /* an undo may stand in front of what another tab ticked: go on until nothing more fits */
        kept.entries = [];
        do { count = kept.entries.length; kept.entries = merged(kept.entries, found); } while (kept.entries.length !== count);
      } catch (error) {
        frozen = true;
        kept.doubts = hanging(plan).concat("What was ticked before cannot be read on this tablet: these counts begin at zero and do not hold it");
        kept.trouble = "What this browser kept for this job cannot be read. It is left as it is, and the counts here begin at zero: look at the poles for leads that hang. Ticks from now on are in this page only: hand the record over before you close it.";
      }
    }
    function put(name, value) {
      window.localStorage.setItem(name, value);
      if (window.localStorage.getItem(name) !== value) { throw new Error("not kept"); }
    }
    function write() {
      if (frozen) { return; }
      var ours = new Set();
      function isOurs(entry) {
        var is = entry.id.indexOf(tab + "-") === 0;
        if (is) { ours.add(entry.id).add(entry.undoes); }
        return is;
      }
      kept.entries.forEach(isOurs);
      try {
        if (ours.size) { put(ownKeys + tab, JSON.stringify(kept.entries.filter(function (entry) { return ours.has(entry.id); }))); }
        put(key, JSON.stringify(kept.entries));
        kept.trouble = "";
      } catch (error) { kept.trouble = refused(error); }
    }
    /* Add an entry where `whyNot` finds no reason against it; what other tabs wrote is read first. */
    kept.add = function (entry, whyNot) {
      read();
      var reason = whyNot(kept.entries), next = Object.assign({ id: tab + "-" + (made + 1) }, entry);
      /* an undo of what another tab undid, or what would not be read back, spoils the whole record */
      if (!reason && (!holds(next) || merged([], kept.entries.concat([next])).length !== kept.entries.length + 1)) {
        reason = "That was changed in another tab meanwhile. Look at it again.";
      }
      if (reason) { changed(); return reason; }
      made += 1;
      kept.entries.push(next);
      write();
      changed();
      return null;
    };
    /* Look at what other tabs wrote; what they do not have is written again. */
    kept.look = function () {
      var before = kept.entries.length, there = -1;
      read();
      try { there = parsed(window.localStorage.getItem(key)).length; } catch (error) { there = -1; }
      if (there < kept.entries.length) { write(); }
      otherPlans();
      if (kept.entries.length !== before || kept.trouble) { changed(); }
    };
    /* Keep the counts in words beside the entries: a page of another plan has not this one's steps. */
    kept.sum = function (state) {
      if (frozen || !kept.entries.length) { return; }
      try { put(sumKey, JSON.stringify({ on: state.on, off: state.off, still: state.still, people: state.people.length })); } catch (error) { kept.trouble = kept.trouble || refused(error); }
    };
    window.addEventListener("storage", function (event) {
      if (event.key === key || event.key === null) { kept.look(); }
    });
    /* a page that was left and is come back to heard nothing meanwhile */
    window.addEventListener("pageshow", kept.look);
    document.addEventListener("visibilitychange", function () { if (document.visibilityState === "visible") { kept.look(); } });
    window.addEventListener("beforeunload", function (event) {
      if (kept.trouble && kept.entries.length) { event.preventDefault(); }
    });
    function sumOf(other) {
      var sum = JSON.parse(window.localStorage.getItem(FORMAT + "= " + other + " " + plan.job_id));
      return sum && [sum.on, sum.off, sum.still, sum.people].every(Number.isInteger) ? sum : null;
    }
    function otherPlans() {
      kept.others = [];
      try {
        names(FORMAT + " ").forEach(function (name) {
          var other = name.slice(FORMAT.length + 1, FORMAT.length + 65), sum = null;
          if (name === key || name.slice(FORMAT.length + 66) !== plan.job_id) { return; }
          try { sum = sumOf(other); } catch (error) { sum = null; }
          kept.others.push({ hash: other.slice(0, 12), sum: sum });
        });
      } catch (error) { kept.others = []; }
    }
    /* Return what the counts do not hold, sentence by sentence. */
    kept.unheld = function () {
      return kept.doubts.concat(kept.others.filter(function (other) { return !other.sum || other.sum.still || other.sum.people; }).map(function (other) {
        if (!other.sum) { return "This tablet also holds ticks of this job under another plan (" + other.hash + "), and how many leads and people they count on is not known"; }
        return "Under plan " + other.hash.slice(0, 8) + " of this job this tablet holds " + other.sum.on + " leads on, " + other.sum.off + " off, still on " + other.sum.still + ", on the line " + other.sum.people;
      }));
    };

    /* ---- handing over ---- */
    function rows() {
      var number = new Map();
      return kept.entries.map(function (entry, n) {
        var row = { seq: n + 1, kind: entry.kind, who: entry.who, at: entry.at };
        number.set(entry.id, n + 1);
        KEYS[entry.kind].forEach(function (name) { row[name] = name === "undoes" ? number.get(entry.undoes) : entry[name]; });
        MORE.forEach(function (name) { if (entry[name] !== undefined) { row[name] = entry[name]; } });
        return row;
      });
    }
    kept.record = function (now) {
      return { format: FORMAT, job_id: plan.job_id, plan_hash: hash, revision: plan.revision || 1, exported_at: G.isoLocal(now), entries: rows() };
    };
    /* Four letters of the SHA-256 of entries, job and plan: two people compare them by voice. */
    kept.letters = function () {
      var left = parseInt(G.sha256(canonical({ entries: rows(), job_id: plan.job_id, plan_hash: hash })).slice(0, 8), 16), found = [];
      while (found.length < 4) { found.push(ALPHABET[left % 26]); left = Math.floor(left / 26); }
      return found;
    };
    read();
    otherPlans();
    return kept;
  };

  /* Return what is said over the radio, sentence by sentence. */
  G.spoken = function (kept, book, state, plan, hash) {
    var last = kept.entries[kept.entries.length - 1], names = state.people;
    var line = !names.length ? "nobody marked" : names.slice(0, 6).join(", ") + (names.length > 6 ? " and " + (names.length - 6) + " more" : "");
    var said = "none";
    if (last) {
      var item = last.step_id ? book.byId.get(last.step_id) : null, how = last.kind === "tick" ? " ticked by " : " refused, told by ";
      said = "number " + kept.entries.length + ", " + (last.step_id ? "step " + last.step_id + (item && item.pole ? " at pole " + item.pole : "") + how + last.who : last.kind + ", " + last.who) + ", at " + G.clockText(last.at);
    }
    return [
      "Job " + plan.job_id + ", plan " + hash.slice(0, 8) + ", revision " + (plan.revision || 1) + ".",
      "Leads on: " + state.on + " of " + book.total + ". Leads off: " + state.off + ". Still on: " + state.still + ".",
      "On the line: " + line + "."
    ].concat(G.spokenRefusals(book, state), [
      "Last entry: " + said + "."
    ], kept.unheld().map(function (text) { return text + "."; }), ["Check: " + kept.letters().join(" ") + "."]);
  };
})();
