/* Dark for work at night, light by day: as the device says, or by a button. Print is always light.
   Classic script, no network, text only ever by textContent. */
(function () {
  "use strict";
  var root = document.documentElement, G = window.gridground, el = G.el;
  var MODES = [["device", "As the device"], ["day", "Day"], ["night", "Night"]];
  var dark = window.matchMedia ? window.matchMedia("(prefers-color-scheme: dark)") : { matches: false };
  var mode = "device";
  function key() { return "gridground:" + G.plan.job_id + ":" + G.hash + ":shade"; }
  function remembered() {
    try { return window.localStorage.getItem(key()); } catch (error) { return null; }
  }
  function remember() {
    try { window.localStorage.setItem(key(), mode); } catch (error) { /* shown all the same */ }
  }
  G.showShade = function (asked) {
    mode = asked;
    root.classList.toggle("night", mode === "night" || (mode === "device" && dark.matches));
    document.querySelectorAll("#shades button").forEach(function (button) {
      button.setAttribute("aria-pressed", String(button.dataset.shade === mode));
    });
  };
  function begin() {
    var bar = document.getElementById("shades"), kept;
    if (!bar) { return; }
    try { G.read(); } catch (error) { return; }
    bar.appendChild(el("span", "looks-word", "Screen"));
    MODES.forEach(function (row) {
      var made = el("button", "", row[1]);
      made.type = "button";
      made.dataset.shade = row[0];
      made.addEventListener("click", function () { G.showShade(row[0]); remember(); });
      bar.appendChild(made);
    });
    kept = remembered();
    G.showShade(kept === "day" || kept === "night" ? kept : "device");
  }
  if (dark.addEventListener) { dark.addEventListener("change", function () { G.showShade(mode); }); }
  G.showShade(mode);
  if (document.readyState === "loading") { document.addEventListener("DOMContentLoaded", begin); } else { begin(); }
})();
