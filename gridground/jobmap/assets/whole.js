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
        if (i < 16) { w[i] = view.getInt32(block * 64 + i * 4, false); continue; }
        var p = w[i - 15], q = w[i - 2];
        w[i] = (w[i - 16] + w[i - 7] + (turn(p, 7) ^ turn(p, 18) ^ (p >>> 3)) + (turn(q, 17) ^ turn(q, 19) ^ (q >>> 10))) | 0;
      }
      var a = h[0], b = h[1], c = h[2], d = h[3], e = h[4], f = h[5], g = h[6], last = h[7];
      for (i = 0; i < 64; i += 1) {
        var s1 = turn(e, 6) ^ turn(e, 11) ^ turn(e, 25);
        var t1 = (last + s1 + ((e & f) ^ (~e & g)) + k[i] + w[i]) | 0;
        var s0 = turn(a, 2) ^ turn(a, 13) ^ turn(a, 22);
        var t2 = (s0 + ((a & b) ^ (a & c) ^ (b & c))) | 0;
        last = g; g = f; f = e; e = (d + t1) | 0;
        d = c; c = b; b = a; a = (t1 + t2) | 0;
      }
      [a, b, c, d, e, f, g, last].forEach(function (x, n) { h[n] = (h[n] + x) | 0; });
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
    /* the pieces of the block give the very text that the hash is taken of */
    var found = G.sha256(G.text);
    if (found !== G.hash || !end || found !== end.getAttribute("data-plan-hash")) {
      wrong.push("the plan in the page does not match its hash");
    }
    if (!end || !G.marked || G.sha256(G.marked) !== end.getAttribute("data-marks")) { wrong.push("the page's text is not what was made"); }
    Array.prototype.forEach.call(document.querySelectorAll("style"), function (node) {
      if (!node.sheet || !node.sheet.cssRules.length) { wrong.push("a style of the page is missing"); }
    });
    if (document.compatMode !== "CSS1Compat" || !root.classList.contains("page") || !document.querySelector(".mapframe > #map_job.folium-map")) {
      wrong.push("the frame of the page is not what was made");
    }
    ["surroundings", "wires", "zones", "ways", "poles", "controls"].forEach(function (name) {
      if (G.drawn.indexOf(name) < 0) { wrong.push("the map is not drawn: " + name); }
    });
    ["unpacked", "untangle", "firstView", "rodsApart", "showUnits", "showShade", "locate", "book", "ask", "keep", "qrSvg", "stateOnPaper", "tickForm", "writeDown", "handover", "task"].forEach(function (name) {
      if (typeof G[name] !== "function") { wrong.push("a script of the page did not run: " + name); }
    });
    var steps = ["prepare", "apply", "work", "remove", "release"].reduce(function (all, part) { return all.concat(plan.steps[part]); }, []);
    if (!same(texts("[data-step]"), column(steps, "text"))) { wrong.push("the steps shown are not those of the plan"); }
    var remarks = steps.reduce(function (all, step) { return all.concat(step.remarks || []); }, []);
    if (!same(texts("[data-remark]"), remarks)) { wrong.push("the remarks shown are not those of the plan"); }
    ["lead_id", "from", "to", "size"].forEach(function (key) {
      if (!same(texts("[data-lead] [data-word=" + key + "]"), column(plan.leads, key))) { wrong.push("the leads shown are not those of the plan"); }
    });
    if (!same(texts("[data-open] [data-word=what]"), column(plan.open_items, "what"))) { wrong.push("the open items shown are not those of the plan"); }
    return wrong;
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
    /* as the program that made it: no lead and no worker worked out, no readiness */
    var lacking = ["lead_rating", "worker_voltage"].filter(function (code) {
      return !G.plan.checks.some(function (check) { return check.code === code; });
    });
    if (open || failed || lacking.length || G.plan.ready !== true) {
      var why = [];
      if (open) { why.push(open + " open item" + (open === 1 ? "" : "s")); }
      if (failed) { why.push(failed + " failed check" + (failed === 1 ? "" : "s")); }
      if (lacking.length) { why.push("no check of " + lacking.join(" and of ").replace(/_/g, " ")); }
      say("open", "NOT READY: " + (why.join(", ") || "the plan does not call itself so"), open ? "Settle " + (open === 1 ? "it" : "them") + " before anybody starts." : "The plan must be changed.");
    } else {
      ready = true;
      say("whole", "READY per plan", "No open item, every check passed. The person in charge decides at the pole.");
    }
    /* only a page that is whole may be worked from; one that is not ready may be read step by step */
    G.task(ready);
  };
  if (document.readyState === "loading") { document.addEventListener("DOMContentLoaded", G.finish); } else { G.finish(); }
})();
