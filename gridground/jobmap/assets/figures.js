/* Lengths in feet, in metres or in both, and where each figure comes from.
   Classic script, no network, text only ever by textContent. */
(function () {
  "use strict";
  var root = document.documentElement, G = window.gridground, el = G.el;

  /* ---- lengths: "15 ft 1 in (4.58 m)" as the plan writes them, each half in a mark of its own ---- */
  var LENGTH = /(-?[\d,]+ ft(?: \d+ in)?)( \()(-?[\d,]+(?:\.\d{1,3})? m)(\))/;
  var MODES = [["feet", "Feet"], ["metres", "Metres"], ["both", "Both"]];
  var split = false, shown = "both";
  function halves(node) {
    var text = node.data, parts = text.split(LENGTH), made = document.createDocumentFragment();
    if (parts.length < 2) { return; }
    /* between, feet, bracket, metres, bracket, between ... */
    for (var i = 0; i < parts.length; i += 5) {
      if (parts[i]) { made.appendChild(document.createTextNode(parts[i])); }
      if (i + 4 >= parts.length) { break; }
      ["ft", "sep", "m", "sep"].forEach(function (css, n) {
        var mark = document.createElement("span");
        mark.className = "len-" + css;
        mark.textContent = parts[i + 1 + n];
        made.appendChild(mark);
      });
    }
    node.parentNode.replaceChild(made, node);
  }
  G.lengths = function (box) {
    var walker = document.createTreeWalker(box, NodeFilter.SHOW_TEXT), found = [], node;
    while ((node = walker.nextNode())) {
      var name = node.parentNode.nodeName;
      if (name !== "SCRIPT" && name !== "STYLE" && !node.parentNode.ownerSVGElement && LENGTH.test(node.data)) { found.push(node); }
    }
    found.forEach(halves);
  };
  function key() { return "gridground:" + G.plan.job_id + ":" + G.hash + ":units"; }
  function remembered() {
    try { return window.localStorage.getItem(key()); } catch (error) { return null; }
  }
  function remember(mode) {
    try { window.localStorage.setItem(key(), mode); } catch (error) { /* shown all the same */ }
  }
  G.showUnits = function (mode) {
    if (mode !== "both" && !split) { G.lengths(document.body); split = true; }
    MODES.forEach(function (row) { root.classList.toggle("in-" + row[0], row[0] === mode); });
    document.querySelectorAll("#units button").forEach(function (button) {
      button.setAttribute("aria-pressed", String(button.dataset.units === mode));
    });
    /* labels of another length are untangled again; at the start there is nothing to do */
    if (G.map && shown !== mode) { G.map.fire("moveend"); }
    shown = mode;
  };
  function unitButtons() {
    var bar = document.getElementById("units");
    if (!bar) { return; }
    bar.appendChild(el("span", "looks-word", "Lengths in"));
    MODES.forEach(function (row) {
      var made = el("button", "", row[1]);
      made.type = "button";
      made.dataset.units = row[0];
      made.addEventListener("click", function () { remember(row[0]); G.showUnits(row[0]); });
      bar.appendChild(made);
    });
    var mode = remembered();
    G.showUnits(mode === "feet" || mode === "metres" ? mode : "both");
  }

  /* ---- where a figure comes from: its note, in a dialog that the browser itself keeps focus in ---- */
  var box = null;
  function dialog() {
    if (box) { return box; }
    box = el("dialog", "why");
    box.setAttribute("aria-labelledby", "why-title");
    var head = el("h2", "", ""), note = el("div", "why-note"), close = el("button", "", "Close");
    head.id = "why-title";
    close.type = "button";
    close.addEventListener("click", function () { box.close(); });
    box.addEventListener("click", function (event) { if (event.target === box) { box.close(); } });
    box.append(head, note, close);
    document.body.insertBefore(box, document.getElementById("page-end"));
    return box;
  }
  function labelOf(cell) {
    var term = cell.previousElementSibling;
    return cell.getAttribute("data-th") || (term && term.nodeName === "DT" ? term.textContent : "Figure");
  }
  function show(cell, button) {
    var note = document.getElementById("why-" + cell.getAttribute("data-why")), made = dialog();
    if (!note) { return; }
    var shown = made.querySelector(".why-note");
    made.querySelector("h2").textContent = labelOf(cell) + ": " + button.textContent.trim();
    shown.replaceChildren();
    /* each name on a line of its own: the note's own elements, copied, never read as markup */
    note.childNodes.forEach(function (child) {
      if (child.nodeName === "B" || !shown.lastChild) { shown.appendChild(el("p", "")); }
      shown.lastChild.appendChild(child.cloneNode(true));
    });
    G.lengths(made);
    made.showModal();
  }
  function figureButtons() {
    document.querySelectorAll("[data-why]").forEach(function (cell) {
      if (!/\d/.test(cell.textContent)) { return; }
      var button = el("button", "fig");
      button.type = "button";
      button.setAttribute("aria-haspopup", "dialog");
      button.setAttribute("aria-label", labelOf(cell) + ": " + cell.textContent.trim() + ". Where it comes from.");
      while (cell.firstChild) { button.appendChild(cell.firstChild); }
      button.addEventListener("click", function () { show(cell, button); });
      cell.appendChild(button);
    });
  }
  function begin() {
    try { G.read(); } catch (error) { return; }
    unitButtons();
    /* what the page says of itself comes first */
    window.setTimeout(figureButtons, 0);
  }
  if (document.readyState === "loading") { document.addEventListener("DOMContentLoaded", begin); } else { begin(); }
})();
