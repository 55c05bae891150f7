/* Handing the record over: by voice, by QR code, as a file, as text. Classic script. */
(function () {
  "use strict";
  var G = window.gridground, el = G.el;
  function fileName(plan) { return plan.job_id.replace(/[^A-Za-z0-9_-]/g, "_").slice(0, 64) + ".record.json"; }
  function save(text, name) {
    var link = el("a"), address = URL.createObjectURL(new Blob([text], { type: "application/json" }));
    link.href = address;
    link.download = name;
    link.click();
    window.setTimeout(function () { URL.revokeObjectURL(address); }, 30000);
  }
  function copy(area, told) {
    function byHand() {
      area.focus();
      area.select();
      var done = false;
      try { done = document.execCommand("copy"); } catch (error) { done = false; }
      told(done ? "Copied." : "The browser refused to copy. The text is marked: copy it by hand.");
    }
    if (!navigator.clipboard) { byHand(); return; }
    navigator.clipboard.writeText(area.value).then(function () { told("Copied."); }, byHand);
  }
  /* Return the view; `told` says a sentence where everybody sees and hears it. */
  G.handover = function (task, told) {
    var box = el("div", "out"), plan = G.plan, spoken = G.spoken(task.kept, task.book, task.state, plan, G.hash);
    var text = JSON.stringify(task.kept.record(new Date()), null, 1), code = G.qrSvg(spoken.join("\n"), "QR code of the words to read out");
    box.appendChild(el("h2", "", "Read out over the radio"));
    var words = el("div", "spoken");
    spoken.forEach(function (line) { words.appendChild(el("p", "", line)); });
    box.appendChild(words);
    box.appendChild(el("p", "small", "The four words of the check come from all entries, the job and the plan: the same words at both ends, the same record. A tick says who made it and when, and nothing more."));
    box.appendChild(el("h2", "", "The same words as a QR code"));
    box.appendChild(code || el("p", "", "The text is too long for a QR code."));
    box.appendChild(el("h2", "", "The whole record: " + task.kept.entries.length + " entries"));
    var area = el("textarea", "json"), row = el("div", "taskbar");
    area.readOnly = true;
    area.rows = 8;
    area.spellcheck = false;
    area.value = text;
    area.id = "record-text";
    area.setAttribute("aria-label", "The record as text");
    row.append(
      G.button("Save as a file", "", function () { save(text, fileName(plan)); told("Handed to the browser as " + fileName(plan) + ". Where nothing was saved, copy the text."); }),
      G.button("Copy the text", "", function () { copy(area, told); })
    );
    box.append(row, area);
    return box;
  };
})();
