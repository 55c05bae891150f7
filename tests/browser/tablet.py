"""A tablet with a fixed clock, and what a crew does on the page's work mode."""

from __future__ import annotations

import json
import re
from datetime import datetime

CLOCK = "2026-04-14T07:30:00-06:00"
ZONE = "America/Denver"
STUB = """
(function () {
  const Real = Date, start = Real.parse("%s");
  window.__minutes = 0;
  window.Date = class extends Real {
    constructor(...given) {
      if (given.length) { super(...given); } else { super(start + window.__minutes * 60000); }
    }
    static now() { return start + window.__minutes * 60000; }
  };
})();
"""
# Fills in whatever the step shown asks for, as a crew would.
FILL = """
document.querySelectorAll('.task .choice button').forEach(function (button) {
  if (['no reading', 'proved before and after'].includes(button.dataset.word)) { button.click(); }
});
function put(id, text) {
  var field = document.getElementById(id);
  if (field) { field.value = text; field.dispatchEvent(new Event('input')); }
}
/* the number of the lead that the plan has for this step, else any */
function numberHere() {
  var plan = gridground.plan, said = document.querySelector('.stepno').textContent;
  var id = /\\(([^)]*)\\)/.exec(said)[1];
  var step = Object.values(plan.steps).flat().find(one => one.step_id === id);
  var given = plan.kit ? plan.kit.assigned : {};
  return Object.keys(given).find(key => given[key] === step.lead_id) || 'T12';
}
put('tick-ohm', '38.5');
put('tick-lead', numberHere());
put('tick-who', arguments[0]);
"""
TEXT_KEYS = {
    "tick": {"step_id"},
    "measured": {"pole_id"},
    "lead used": {"lead_id"},
    "refused": {"step_id"},
}
NUMBERS = {
    "rod_ohm": (0.01, 1e6),
    "soil_ohm_m": (0.1, 1e6),
    "rod_lon": (-180, 180),
    "rod_lat": (-90, 90),
    "rod_accuracy_m": (0, 10_000),
    "vehicle_rod_taped_m": (0.01, 150),
    "rod_taped_m": (0.01, 150),
    "rod_bearing_deg": (0, 360),
    "length_m": (0, 100),
}


class Tablet:
    """The work mode of a page, by its buttons."""

    def __init__(self, browser) -> None:
        self.browser = browser
        self.run = browser.run

    def open(self, html) -> str:
        address = self.browser.open(html)
        self.enter()
        return address

    def enter(self) -> None:
        self.press("#task-open")

    def reload(self) -> None:
        self.browser.driver.refresh()
        self.enter()

    def press(self, selector: str) -> None:
        self.browser.driver.find_element("css selector", selector).click()

    def view(self, name: str) -> None:
        self.run("document.querySelector(`.task [data-view='${arguments[0]}']`).click()", name)

    def go(self, step_id: str) -> None:
        """Open a step from the list of all steps."""
        self.view("list")
        self.run(
            "[...document.querySelectorAll('.steprow')]"
            ".find(row => row.querySelector('.no').textContent === arguments[0]).click()",
            step_id,
        )

    def tick(self, who: str = "J. R.") -> str:
        """Fill in and tick the step shown; return what the page says."""
        self.run(FILL, who)
        self.run("document.querySelector('.task button.tick').click()")
        return self.said()

    def again(self) -> str:
        """Press the tick once more without a change; return what the page says."""
        self.run("document.querySelector('.task button.tick').click()")
        return self.said()

    def ticks(self, count: int, who: str = "J. R.") -> list[str]:
        return [self.tick(who) for _ in range(count)]

    def mark(self, who: str) -> str:
        self.run(
            "var f = document.getElementById('line-who'); f.value = arguments[0];"
            "[...document.querySelectorAll('.people button')].pop().click()",
            who,
        )
        return self.said()

    def off(self, number: int = 0) -> str:
        self.run("document.querySelectorAll('.people .off')[arguments[0]].click()", number)
        return self.said()

    def undo(self, who: str = "J. R.") -> str:
        self.run("document.querySelector('.task .undo').click()")
        self.run("document.getElementById('undo-who').value = arguments[0]", who)
        self.run("document.querySelector('.task .undo-yes').click()")
        return self.said()

    def said(self) -> str:
        return self.run(
            "return document.getElementById('task-say').textContent"
            " || document.getElementById('task-done').textContent"
        )

    def refused(self) -> str:
        """Return the refusal that stands over the page, an empty text where there is none."""
        return self.run("return document.getElementById('task-say').innerText")

    def counts(self) -> str:
        return " ".join(self.run("return document.getElementById('task-counts').innerText").split())

    def step(self) -> str:
        """Return the number of the step shown."""
        text = self.run("return document.querySelector('.stepno').textContent")
        found = re.search(r"\(([^)]*)\)", text)
        assert found, text
        return found.group(1)

    def record(self) -> dict:
        """Return the record as the page hands it over."""
        self.view("out")
        text = self.run("return document.getElementById('record-text').value")
        self.view("step")
        return json.loads(text)


def _has_offset(text: str) -> bool:
    return datetime.fromisoformat(text).tzinfo is not None


def record_faults(record: dict, document: dict) -> list[str]:
    """Return what a strict reader would object to in a record; written from the format alone."""
    wrong = []
    top = {"format", "job_id", "plan_hash", "revision", "exported_at", "entries"}
    if set(record) != top:
        wrong.append(f"top: {sorted(set(record) ^ top)}")
    if record["format"] != "gridground-record/1" or record["job_id"] != document["job_id"]:
        wrong.append("format or job")
    if record["plan_hash"] != document["plan_hash"] or record["revision"] != 1:
        wrong.append("hash or revision")
    if not _has_offset(record["exported_at"]):
        wrong.append("exported_at")
    kinds: dict[int, str] = {}
    for number, entry in enumerate(record["entries"], start=1):
        wrong += [f"entry {number}: {fault}" for fault in _entry_faults(number, entry, kinds)]
        kinds[number] = entry["kind"]
        if entry["kind"] == "undo":
            kinds[entry["undoes"]] = "undone"
    steps = {step["step_id"] for part in document["steps"].values() for step in part}
    wrong += [
        f"unknown step {entry['step_id']}"
        for entry in record["entries"]
        if entry["kind"] in {"tick", "refused"} and entry["step_id"] not in steps
    ]
    return wrong


def _entry_faults(number, entry, kinds):
    keys = {"seq", "kind", "who", "at"}
    kind = entry["kind"]
    if entry["seq"] != number:
        yield "seq"
    if kind == "refused":
        keys |= {"why"}
        told = entry["values"]
        if not (told.get("typed") or "READING" in told.get("detector", "")) or not entry["why"]:
            yield "a refusal that tells no reading and nothing typed"
    if kind not in {*TEXT_KEYS, "undo", "on the line", "off the line"}:
        yield f"kind {kind}"
    keys |= TEXT_KEYS.get(kind, set())
    if kind in TEXT_KEYS:
        keys |= {"values"}
        yield from _value_faults(entry["values"])
    for key in {"asked", "found"} & set(entry) if kind in {"tick", "lead used"} else ():
        keys |= {key}
        texts = entry[key] if key == "asked" else [entry[key]]
        if not texts or not all(1 <= len(text) <= 400 for text in texts):
            yield key
    if kind == "undo":
        keys |= {"undoes"}
        if kinds.get(entry["undoes"]) in {None, "undo", "undone"}:
            yield "undoes"
    if set(entry) != keys:
        yield f"keys {sorted(set(entry) ^ keys)}"
    who = entry["who"]
    if not 1 <= len(who) <= 200 or any(ord(sign) < 32 or ord(sign) == 127 for sign in who):
        yield "who"
    if not _has_offset(entry["at"]):
        yield "at"


def _value_faults(values):
    for key, value in values.items():
        if key in NUMBERS:
            least, most = NUMBERS[key]
            if isinstance(value, bool) or not least <= value <= most:
                yield f"{key} {value}"
        elif key in {"detector", "typed", "lead_number", "size"}:
            if not 1 <= len(value) <= (200 if key in {"detector", "typed"} else 64):
                yield f"{key} {value}"
        else:
            yield f"values.{key}"
    if ("rod_lon" in values) != ("rod_lat" in values):
        yield "half a position"
