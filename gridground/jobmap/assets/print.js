/* The sheets on paper: which one is printed, what every page says of the plan, are they unaltered.
   Classic script, no network, text only ever by textContent. */
(function () {
  "use strict";
  var root = document.documentElement, G = window.gridground, el = G.el;
  var SHEETS = { crew: "Crew sheet", dispatcher: "Dispatcher sheet", briefing: "Job briefing", truck: "Truck list" };
  var MORE = { sheets: "All four sheets", plan: "Whole plan" };
  var PAPERS = { letter: "letter", a4: "A4" };
  function own(table, key) { return Object.prototype.hasOwnProperty.call(table, key) ? table[key] : undefined; }
  function rule(text) {
    var all = document.styleSheets, last = all[all.length - 1];
    last.insertRule(text, last.cssRules.length);
  }

  /* Called by whole.js with its own words, once it knows. */
  G.stateOnPaper = function (word, rest) {
    document.querySelectorAll(".state").forEach(function (node) { node.replaceChildren(el("b", "", word), document.createTextNode(" " + rest)); });
    document.querySelectorAll(".state-word").forEach(function (node) { node.textContent = word; });
    rule('@page { @top-right { content: "' + word.replace(/[^A-Za-z0-9 :,]/g, "") + '"; } }');
  };

  function choose(key) {
    if (own(SHEETS, key) || own(MORE, key)) { root.setAttribute("data-print", key); } else { root.removeAttribute("data-print"); }
  }
  function buttons() {
    var bar = document.getElementById("print-buttons");
    if (!bar) { return; }
    Object.keys(SHEETS).concat("sheets", "plan", "all").forEach(function (key) {
      var made = el("button", "", own(SHEETS, key) || own(MORE, key) || "Everything");
      made.type = "button";
      made.addEventListener("click", function () { choose(key); window.print(); });
      bar.appendChild(made);
    });
    document.querySelector(".print-how").textContent = "The crew needs its own sheet. The whole plan is for the office; “Everything” is the four sheets and what else the plan says.";
  }
  /* An address that ends in #print=crew, or #print=crew&paper=a4, chooses without a button. */
  function asked() {
    var found = /^#print=([a-z]+)(?:&paper=([a-z0-9]+))?$/.exec(window.location.hash);
    if (!found) { return false; }
    choose(found[1]);
    if (own(PAPERS, found[2])) { rule("@page { size: " + PAPERS[found[2]] + "; }"); }
    return true;
  }
  function start() {
    buttons();
    if (!asked()) { window.addEventListener("afterprint", function () { choose("all"); }); }
  }
  if (document.readyState === "loading") { document.addEventListener("DOMContentLoaded", start); } else { start(); }
})();
