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

  /* ---- texts and times ---- */
  /* one line of visible signs; what reorders or hides text goes */
  G.cleaned = function (text, longest) {
    return Array.from(String(text).replace(/\p{C}/gu, " ").replace(/\s+/g, " ").trim()).slice(0, longest).join("").trim();
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
  function isText(value, longest) { return typeof value === "string" && value.length > 0 && value.length <= longest; }
  function isTime(value) { return isText(value, 40) && /^\d{4}-\d\d-\d\dT\d\d:\d\d/.test(value) && !isNaN(Date.parse(value)); }
  function holds(entry) {
    if (!entry || typeof entry !== "object" || !isText(entry.id, 80) || !Object.prototype.hasOwnProperty.call(KEYS, entry.kind)) { return false; }
    if (!isText(entry.who, 200) || !isTime(entry.at) || !isTime(entry.clock)) { return false; }
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

  G.keep = function (plan, hash, changed) {
    var key = FORMAT + " " + hash + " " + plan.job_id;
    var kept = { entries: [], trouble: "", others: [] }, frozen = false, made = 0;
    var tab = Date.now().toString(36) + "-" + Math.random().toString(36).slice(2, 10);
    function refused(error) {
      return "This browser does not keep the ticks (" + (error && error.name || "refused") + "). They are in this page only: hand the record over before you close it.";
    }
    function read() {
      if (frozen) { return; }
      var text;
      try { text = window.localStorage.getItem(key); } catch (error) { kept.trouble = refused(error); return; }
      try { kept.entries = merged(parsed(text), kept.entries); } catch (error) {
        frozen = true;
        kept.trouble = "What this browser kept for this job cannot be read. It is left as it is. Ticks from now on are in this page only: hand the record over before you close it.";
      }
    }
    function write() {
      if (frozen) { return; }
      try {
        var text = JSON.stringify(kept.entries);
        window.localStorage.setItem(key, text);
        kept.trouble = window.localStorage.getItem(key) === text ? "" : refused(null);
      } catch (error) { kept.trouble = refused(error); }
    }
    /* Add an entry where `whyNot` finds no reason against it; what other tabs wrote is read first. */
    kept.add = function (entry, whyNot) {
      read();
      var reason = whyNot(kept.entries);
      if (reason) { changed(); return reason; }
      made += 1;
      kept.entries.push(Object.assign({ id: tab + "-" + made }, entry));
      write();
      changed();
      return null;
    };
    window.addEventListener("storage", function (event) {
      if (event.key !== key && event.key !== null) { return; }
      var before = kept.entries.length;
      read();
      /* another tab wrote at the same moment and did not have what this one holds */
      var there = -1;
      try { there = parsed(window.localStorage.getItem(key)).length; } catch (error) { there = -1; }
      if (there < kept.entries.length) { write(); }
      if (kept.entries.length !== before || kept.trouble) { changed(); }
    });
    window.addEventListener("beforeunload", function (event) {
      if (kept.trouble && kept.entries.length) { event.preventDefault(); }
    });
    function otherPlans() {
      try {
        for (var n = 0; n < window.localStorage.length; n += 1) {
          var name = window.localStorage.key(n);
          if (name !== key && name.indexOf(FORMAT + " ") === 0 && name.slice(FORMAT.length + 66) === plan.job_id) {
            kept.others.push(name.slice(FORMAT.length + 1, FORMAT.length + 13));
          }
        }
      } catch (error) { kept.others = []; }
    }

    /* ---- handing over ---- */
    function rows() {
      var number = new Map();
      return kept.entries.map(function (entry, n) {
        var row = { seq: n + 1, kind: entry.kind, who: entry.who, at: entry.at };
        number.set(entry.id, n + 1);
        KEYS[entry.kind].forEach(function (name) { row[name] = name === "undoes" ? number.get(entry.undoes) : entry[name]; });
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
      "On the line: " + line + ".",
      "Last entry: " + said + ".",
      "Check: " + kept.letters().join(" ") + "."
    ];
  };
})();
