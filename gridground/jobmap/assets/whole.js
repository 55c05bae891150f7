/* Says whether the page is whole and what its plan says of itself; runs last, after page.js.
   Classic script, no network, text only ever by textContent. */
(function () {
  "use strict";
  var root = document.documentElement, G = window.gridground, el = G.el, plain = G.plain;

  /* ---- SHA-256 (FIPS 180-4) of a text's UTF-8 bytes; crypto.subtle is not there on file: ---- */
  function primes(count) {
    var found = [], n = 2;
    while (found.length < count) {
      if (found.every(function (p) { return n % p; })) { found.push(n); }
      n += 1;
    }
    return found;
  }
  function fraction(x) { return ((x - Math.floor(x)) * 4294967296) | 0; }
  G.sha256 = function (text) {
    var bytes = new TextEncoder().encode(text);
    var list = primes(64);
    var k = list.map(function (p) { return fraction(Math.cbrt(p)); });
    var h = list.slice(0, 8).map(function (p) { return fraction(Math.sqrt(p)); });
    var size = bytes.length, blocks = ((size + 8) >> 6) + 1;
    var padded = new Uint8Array(blocks * 64), view = new DataView(padded.buffer);
    padded.set(bytes);
    padded[size] = 0x80;
    view.setUint32(padded.length - 8, Math.floor(size / 536870912));
    view.setUint32(padded.length - 4, (size << 3) >>> 0);
    var w = new Int32Array(64);
    function turn(x, n) { return (x >>> n) | (x << (32 - n)); }
    for (var block = 0; block < blocks; block += 1) {
      for (var i = 0; i < 64; i += 1) {
        if (i < 16) { w[i] = view.getInt32(block * 64 + i * 4); continue; }
        var p = w[i - 15], q = w[i - 2];
        w[i] = (w[i - 16] + w[i - 7] + (turn(p, 7) ^ turn(p, 18) ^ (p >>> 3)) + (turn(q, 17) ^ turn(q, 19) ^ (q >>> 10))) | 0;
      }
      var v = h.slice();
      for (i = 0; i < 64; i += 1) {
        var s1 = turn(v[4], 6) ^ turn(v[4], 11) ^ turn(v[4], 25);
        var t1 = (v[7] + s1 + ((v[4] & v[5]) ^ (~v[4] & v[6])) + k[i] + w[i]) | 0;
        var s0 = turn(v[0], 2) ^ turn(v[0], 13) ^ turn(v[0], 22);
        var t2 = (s0 + ((v[0] & v[1]) ^ (v[0] & v[2]) ^ (v[1] & v[2]))) | 0;
        v = [(t1 + t2) | 0, v[0], v[1], v[2], (v[3] + t1) | 0, v[4], v[5], v[6]];
      }
      h = h.map(function (x, n) { return (x + v[n]) | 0; });
    }
    return h.map(function (x) { return ("0000000" + (x >>> 0).toString(16)).slice(-8); }).join("");
  };

  /* ---- is this page whole, and what does it say of itself ---- */
  function texts(selector) {
    return Array.prototype.map.call(document.querySelectorAll(selector), function (node) { return node.textContent; });
  }
  function same(found, wanted) {
    return found.length === wanted.length && found.every(function (text, n) {
      return plain(text) === plain(wanted[n]);
    });
  }
  function column(rows, key) { return rows.map(function (row) { return row[key]; }); }
  G.faults = function () {
    var wrong = [], end = document.getElementById("page-end"), plan;
    if (!end || end !== document.body.lastElementChild) { wrong.push("the end of the page is missing"); }
    try { plan = G.read(); } catch (error) { wrong.push("the plan in the page cannot be read"); return wrong; }
    var found = G.sha256(G.block.plan);
    var shown = document.getElementById("plan-hash");
    if (found !== G.block.plan_hash || !end || found !== end.getAttribute("data-plan-hash") || !shown || shown.textContent !== found) {
      wrong.push("the plan in the page does not match its hash");
    }
    ["surroundings", "wires", "zones", "ways", "poles", "controls"].forEach(function (name) {
      if (G.drawn.indexOf(name) < 0) { wrong.push("the map is not drawn: " + name); }
    });
    ["locate", "book", "keep", "qrSvg", "tickForm", "writeDown", "handover", "task"].forEach(function (name) {
      if (typeof G[name] !== "function") { wrong.push("a script of the page did not run: " + name); }
    });
    var steps = ["prepare", "apply", "work", "remove", "release"].reduce(function (all, part) { return all.concat(plan.steps[part]); }, []);
    if (!same(texts("[data-step]"), column(steps, "text"))) { wrong.push("the steps shown are not those of the plan"); }
    ["lead_id", "from", "to", "size"].forEach(function (key) {
      if (!same(texts("[data-lead] [data-word=" + key + "]"), column(plan.leads, key))) { wrong.push("the leads shown are not those of the plan"); }
    });
    if (!same(texts("[data-open] [data-word=what]"), column(plan.open_items, "what"))) { wrong.push("the open items shown are not those of the plan"); }
    return wrong.concat(G.sheetFaults ? G.sheetFaults() : ["the sheets cannot be checked"]);
  };
  function say(css, word, rest) {
    var status = document.getElementById("status");
    if (G.stateOnPaper) { G.stateOnPaper(word, rest); }
    if (!status) { return; }
    status.className = "status " + css;
    status.replaceChildren(el("b", "", word), document.createTextNode(" " + rest));
  }
  G.finish = function () {
    var wrong = G.faults();
    if (wrong.length) {
      if (G.drawn.indexOf("controls") < 0) { root.classList.remove("scripted"); }
      say("wait", "NOT FOR USE: this page is not whole.", "Get it again. (" + wrong.join("; ") + ")");
      return;
    }
    var open = G.plan.open_items.length, ready = false;
    var failed = G.plan.checks.filter(function (check) { return check.passed !== true; }).length;
    if (open || failed || G.plan.ready !== true) {
      var why = [];
      if (open) { why.push(open + " open item" + (open === 1 ? "" : "s")); }
      if (failed) { why.push(failed + " failed check" + (failed === 1 ? "" : "s")); }
      say("open", "NOT READY: " + (why.join(", ") || "the plan does not call itself so"), open ? "Settle them before anybody starts." : "The plan must be changed.");
    } else {
      ready = true;
      say("whole", "READY per plan", "No open item, every check passed. The person in charge decides at the pole.");
    }
    /* only a page that is whole may be worked from; one that is not ready may be read step by step */
    G.task(ready);
  };
  if (document.readyState === "loading") { document.addEventListener("DOMContentLoaded", G.finish); } else { G.finish(); }
})();
