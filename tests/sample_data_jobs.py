"""The jobs of the sample territory, each one situation, as TOML with comments in plain words."""

from __future__ import annotations

from dataclasses import dataclass

WB1_OPEN = ("BK-WB1", "TIE1")
WB2_OPEN = ("BK-WB2", "TIE1")
WD1_OPEN = ("RC-WD1",)
DAIRY = ("GEN-DAIRY",)
BLOCKED = ("WB1", "WB2", "WD1", "RC-D", "RC-WD1")


@dataclass(frozen=True)
class Ask:
    """What one job file says; `why` is its comment, `missing` names keys left out on purpose."""

    job_id: str
    title: str
    why: str
    circuit: str
    poles: tuple[str, ...] = ()
    span: str = ""
    opened: tuple[str, ...] = ()
    isolated: tuple[str, ...] = ()
    method: str = "auto"
    position: str = "pole"
    cut: tuple[str, ...] = ()
    resistivity: str = ""
    missing: tuple[str, ...] = ()
    changed: tuple[tuple[str, str], ...] = ()
    clearance: tuple[tuple[str, str], ...] = ()


ASKS = (
    Ask(
        "straight-01",
        "Replace two insulators at Q213, Section Road",
        "A plain three-phase pole with one span on each side, nothing on it and nothing near it. "
        "Everything a planner has to state is stated, so that nothing should remain open.",
        "WB2", ("Q213",), opened=WB2_OPEN,
        clearance=(
            ("holder", '"foreman of line crew 3"'),
            ("authority", '"Willowbeck dispatch"'),
            ("number", '"C-26-0401"'),
            ("work_start", '"2026-04-14T07:30:00-06:00"'),
            ("work_end", '"2026-04-14T15:00:00-06:00"'),
        ),
    ),
    Ask(
        "one-phase-02",
        "Replace the pole-top pin at L107, south of Section Road",
        "A one-phase lateral with a neutral. The transformer at L108 stands at a bracket pole, not "
        "between the brackets; its cutout is opened all the same and it is named here.",
        "WB2", ("L107",), opened=(*WB2_OPEN, "CO-L101"), isolated=("TX-L108",),
    ),
    Ask(
        "two-phase-03",
        "Re-tie both phases at L206",
        "A two-phase lateral (A and C) with a neutral behind a fuse.",
        "WB2", ("L206",), opened=(*WB2_OPEN, "FU-L201"),
    ),
    Ask(
        "t-junction-04",
        "Replace jumpers at the dairy junction P136",
        "A three-phase lateral leaves with solid jumpers: three ways out. At the end of the "
        "lateral the dairy can generate; its generator is visibly open.",
        "WB1", ("P136",), opened=WB1_OPEN, isolated=DAIRY,
    ),
    Ask(
        "four-way-05",
        "Replace a crossarm at the four-way pole P124, Mill Street",
        "Four ways out, all three-phase, no device on the pole: look at both methods in the plan "
        "before choosing. V41 and V51 across the street and the next poles of Ridge Road are near.",
        "WB1", ("P124",), opened=WB1_OPEN, isolated=DAIRY,
    ),
    Ask(
        "dead-end-06",
        "Re-sag the last span at the dead end V58",
        "The end of a three-phase lateral: energy can come along the line from one side only. The "
        "transformer on the pole is isolated: cutout open.",
        "WB1", ("V58",), opened=WB1_OPEN, isolated=(*DAIRY, "TX-V58"),
    ),
    Ask(
        "four-poles-07",
        "Replace insulators at Q237, Q238, Q239 and Q240",
        "Four poles in a row, worked one after the other under the same grounds.",
        "WB2", ("Q237", "Q238", "Q239", "Q240"), opened=WB2_OPEN,
    ),
    Ask(
        "gang-switch-08",
        "Change a blade of gang switch GS1 at P150 and cut phase B",
        "A gang-operated switch on the pole at which people work splits it into two sides, open or "
        "closed; phase B is cut here. The 115 kV line runs beside it.",
        "WB1", ("P150",), opened=(*WB1_OPEN, "GS1"), isolated=DAIRY, cut=("B",),
        clearance=(("holder", '"foreman of line crew 3"'), ("authority", '"Willowbeck dispatch"')),
    ),
    Ask(
        "double-circuit-09",
        "Replace an insulator of WB1 at P105",
        "Two circuits on the same poles with one neutral between them. WB2 stays energized and "
        "can fall on the worked conductors between the brackets.",
        "WB1", ("P105",), opened=WB1_OPEN, isolated=DAIRY,
    ),
    Ask(
        "no-rod-place-10",
        "Replace a cutout bracket at P113, beside the grain store",
        "The pole on the load side, P114, stands in the paved and fenced yard of the grain store, "
        "with gas, water, power and telephone below it: no rod can be driven there.",
        "WB1", ("P113",), opened=WB1_OPEN, isolated=DAIRY,
    ),
    Ask(
        "steel-11",
        "Replace a post insulator at the steel pole Q224",
        "Steel poles on both sides and a multigrounded neutral: the footing is the electrode.",
        "WB2", ("Q224",), opened=WB2_OPEN,
    ),
    Ask(
        "delta-12",
        "Replace two insulators at W107",
        "A three-wire circuit without a neutral, from a source that is not grounded.",
        "WD1", ("W107",), opened=WD1_OPEN,
    ),
    Ask(
        "open-items-13",
        "Replace an insulator at P161 (not all is known yet)",
        "Left out on purpose: no locate ticket, nothing said about opened sources, and soil that "
        "nobody measured. The plan is made and says what is still open.",
        "WB1", ("P161",), isolated=DAIRY,
        missing=("locate_ticket", "reclosing_blocked", "sources_opened", "resistivity"),
    ),
    Ask(
        "refused-14",
        "Replace the transformer at L304 (no plan possible)",
        "Nobody has recorded whether this lateral has a neutral. Without that no bond can be "
        "planned, and the answer is a reason instead of a plan.",
        "WB2", ("L304",), opened=(*WB2_OPEN, "CO-L301"), isolated=("TX-L304",),
    ),
    Ask(
        "mid-span-15",
        "Repair broken strands of phase A between Q228 and Q229 from an aerial lift",
        "Work in the middle of a span: brackets at its two ends and a personal ground at the lift.",
        "WB2", span="WB2-Q229", opened=WB2_OPEN, position="aerial lift",
    ),
    Ask(
        "small-neutral-16",
        "Replace the pole-top pin at V63, Fourth Street",
        "The neutral of this one-phase lateral is thin and the substation is near: the fault "
        "current must not run through it. Rooftop solar at V65 is disconnected.",
        "WB1", ("V63",), opened=(*WB1_OPEN, "CO-V61"),
        isolated=(*DAIRY, "SV-V65", "TX-V62", "TX-V64"),
    ),
    Ask(
        "riser-17",
        "Replace arresters at the riser pole P127 from an aerial lift",
        "A cable to the school leaves the pole. Its far end, cabinet U301, is opened, tested and "
        "grounded there.",
        "WB1", ("P127",), opened=(*WB1_OPEN, "CO-U301"),
        isolated=(*DAIRY, "RIS-P127", "TX-U301"), position="aerial lift",
    ),
    Ask(
        "crossing-18",
        "Re-tie phase A at D203 below the 115 kV line",
        "An energized 115 kV line crosses the span on the load side of the worksite. The dairy's "
        "generator at the end of the lateral is visibly open.",
        "WB1", ("D203",), opened=(*WB1_OPEN, "RC-D"), isolated=DAIRY,
    ),
    Ask(
        "employer-rules-19",
        "Replace an insulator at P139 under other rules",
        "The same kind of pole as the first job, under an employer who wants single-point, a "
        "larger setback, room for growth and a lower voltage at the worker.",
        "WB1", ("P139",), opened=WB1_OPEN, isolated=DAIRY, method="single-point",
        changed=(
            ("rod_setback", '"6 m"'),
            ("cone_radius", '"4 m"'),
            ("fault_growth_ratio", "1.15"),
            ("worker_limit", '"50 V"'),
            ("lead_minimum", '"1/0"'),
            ("lead_sizes", '["1/0", "2/0", "4/0"]'),
        ),
    ),
    Ask(
        "cut-20",
        "Cut out a bad splice of phase B at P154",
        "A conductor is cut at an otherwise plain pole: each side of the cut is bonded, and a "
        "bypass lead is on before the cut and comes off after it.",
        "WB1", ("P154",), opened=WB1_OPEN, isolated=DAIRY, cut=("B",),
    ),
)  # fmt: skip

LIMITS = (
    ("rod_setback", '"15 ft"', "from every pole"),
    ("cone_radius", '"10 ft"', "round the rod and the lead on the ground"),
    ("cone_spacing", '"6 ft"', ""),
    ("bracket_max_spans", "1", "brackets stand on the next pole"),
    ("bracket_max_distance", '"1000 ft"', ""),
    ("fault_growth_ratio", "1.0", "largest fault times this; 1.0 is no margin"),
    ("clearing", '"backup"', "count on the second device, not on the first"),
    ("body_ohm", "1000", ""),
    (
        "worker_limit",
        '"strictest"',
        "of all rules by name; one of them or a voltage may stand here",
    ),
    ("lead_minimum", '"2"', "AWG copper"),
    ("lead_sizes", '["2", "1/0", "2/0", "4/0"]', "what the store has"),
    ("lead_basis", '"withstand"', "a lead must still be fit for use after a fault"),
    ("parallel_max", "2", ""),
    ("lead_slack_ratio", "1.1", ""),
    ("lead_length_step", '"5 ft"', "leads come in multiples of this"),
    ("bar_below", '"6 ft"', "cluster bar below the lowest conductor: below the worker's feet"),
    ("locate_tolerance", "0", "added to the clearance of buried lines that are only drawn"),
    ("vehicle_clearance", '"20 ft"', "from a ground rod to the middle of the truck"),
    ("vehicle_rod_distance", '"10 ft"', "from a ground rod to the truck's own"),
    ("ground_slope_max_ratio", "0.5", "steepest ground for a rod: rise over run"),
    (
        "clearance",
        "{ buried_gas = 1.0, buried_power = 1.0, buried_water = 1.0, buried_telecom = 1.0, "
        "buried_sewer = 1.0, building = 1.5, fence = 1.5, public_place = 1.5, water = 1.0, "
        "tree = 1.0, road = 0, sidewalk = 0, driveway = 0, paved = 0, rock = 0, no_entry = 0 }",
        "",
    ),
)
KIT = (
    *((f"T{k}", "2/0", "50 ft") for k in range(1, 5)),
    *((f"T{k}", "2/0", "25 ft") for k in range(5, 7)),
    *((f"T{k}", "2/0", "15 ft") for k in range(7, 11)),
    *((f"T{k}", "2/0", "10 ft") for k in range(11, 23)),
)


def job_files() -> dict[str, str]:
    """Return file name -> text of every job."""
    return {_file_name(ask): _toml(ask) for ask in ASKS}


def _file_name(ask: Ask) -> str:
    """Return the file name: the job's number first, so that the files sort."""
    words, _, number = ask.job_id.rpartition("-")
    return f"{number}-{words}.toml"


def _list(names: tuple[str, ...]) -> str:
    """Return a TOML array of strings."""
    return "[" + ", ".join(f'"{name}"' for name in names) + "]"


def _comment(text: str) -> list[str]:
    """Wrap a comment."""
    lines, line = [], "#"
    for word in text.split():
        if len(line) + len(word) > 95:
            lines.append(line)
            line = "#"
        line += f" {word}"
    return [*lines, line]


def _toml(ask: Ask) -> str:
    """Return one job file."""
    number = ask.job_id.rpartition("-")[2]
    lines = [*_comment(ask.why), "# Invented for the demonstration.", f'job_id = "{ask.job_id}"']
    lines += [f'title = "{ask.title}"', f'circuit_ids = ["{ask.circuit}"]']
    if ask.span:
        lines.append(f'worksite_span = "{ask.span}"')
    else:
        lines.append(f"worksite_poles = {_list(ask.poles)}")
    lines.append(f'method = "{ask.method}"')
    lines.append(f'work_position = "{ask.position}"')
    lines.append(f"open_conductor = {_list(ask.cut)}  # phases that will be cut at the worksite")
    if "locate_ticket" not in ask.missing:
        lines.append(f'locate_ticket = "WB-26-04{number}"  # buried utilities have been marked')
    if "sources_opened" not in ask.missing:
        lines.append(f"sources_opened = {_list(ask.opened)}  # opened and tagged for this job")
    lines.append(f"isolated_equipment = {_list(ask.isolated)}")
    if "reclosing_blocked" not in ask.missing:
        lines.append(
            f"reclosing_blocked = {_list(BLOCKED)}  # no automatic reclosing during the job"
        )
    if ask.clearance:
        lines += ["", "[clearance]  # who holds it, who grants it, from when to when"]
        lines += [f"{key} = {value}" for key, value in ask.clearance]
    lines += ["", "[limits]  # the employer's rules"]
    changed = dict(ask.changed)
    for key, value, note in LIMITS:
        lines.append(f"{key} = {changed.get(key, value)}" + (f"  # {note}" if note else ""))
    lines += ["", "[rod]", 'length = "6 ft"', 'diameter = "0.625 in"']
    if "resistivity" not in ask.missing:
        lines.append("resistivity_ohm_m = 240  # where no soil polygon covers the rod; invented")
    lines += ["", "[kit]  # what is on the truck", "leads = ["]
    for lead_id, size, length in KIT:
        lines.append(
            f'    {{ lead_id = "{lead_id}", size = "{size}", length = "{length}", '
            f'clamps = "conductor clamp, medium", tested_on = "2026-01-20" }},'
        )
    lines += ["]", "rods = 4", "cluster_bars = 6", ""]
    return "\n".join(lines)
