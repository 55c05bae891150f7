"""Hand-made plans in the form of a plan file, to draw pages from.

The figures are plausible and nothing more: they are not computed and prove nothing about physics.
"""

from __future__ import annotations

import copy
import itertools
import math
from typing import Any

from gridground import __version__
from gridground.record import FORMAT, Plan, is_ready, plan_hash
from gridground.territory.frame import Frame

FRAME = Frame(-93.2650, 44.9770)
HOSTILE = (
    '<img src=x onerror="window.__xss=1"></script><script>window.__xss=2</script>'
    "${window.__xss=3}{{ 7*191 }}{% raw %}`'\"&amp;\u2028\u202e"
)
POLES = {
    "P17": (-152.0, -14.0),
    "P18": (-104.0, -9.0),
    "P19": (-55.0, -4.0),
    "P20": (0.0, 0.0),
    "P21": (57.0, 4.0),
    "P22": (110.0, 8.0),
    "P23": (158.0, 12.0),
    "Q1": (-60.0, 46.0),
    "Q2": (20.0, 54.0),
}


def position(x_m: float, y_m: float) -> list[float]:
    """Return longitude and latitude, rounded to 7 decimals."""
    lon, lat = FRAME.to_lonlat(x_m, y_m)
    return [round(float(lon), 7), round(float(lat), 7)]


def line(*points: tuple[float, float]) -> list[list[float]]:
    return [position(*point) for point in points]


def ring(*points: tuple[float, float]) -> list[list[list[float]]]:
    return [line(*points, points[0])]


def rectangle(x_m: float, y_m: float, width_m: float, height_m: float) -> list[list[list[float]]]:
    return ring(
        (x_m, y_m), (x_m + width_m, y_m), (x_m + width_m, y_m + height_m), (x_m, y_m + height_m)
    )


def capsule(
    start: tuple[float, float], end: tuple[float, float], radius_m: float, parts: int
) -> list[tuple[float, float]]:
    """Return points round the buffer of a line, as a zone of cones stands."""
    heading = math.atan2(end[1] - start[1], end[0] - start[0])
    points = []
    for centre, first in ((end, heading - math.pi / 2), (start, heading + math.pi / 2)):
        points += [
            (
                centre[0] + radius_m * math.cos(first + math.pi * part / parts),
                centre[1] + radius_m * math.sin(first + math.pi * part / parts),
            )
            for part in range(parts + 1)
        ]
    return points


def _location(
    number: int, pole_id: str, *, role: str, title: str, bearing_deg: float | None
) -> dict[str, Any]:
    x_m, y_m = POLES[pole_id]
    lon, lat = position(x_m, y_m)
    rod = zone = None
    if bearing_deg is not None:
        distance_m = 4.75
        angle = math.radians(bearing_deg)
        end = (x_m + distance_m * math.sin(angle), y_m + distance_m * math.cos(angle))
        rod_lon, rod_lat = position(*end)
        rod = {
            "lon": rod_lon,
            "lat": rod_lat,
            "bearing_deg": bearing_deg,
            "distance_m": distance_m,
            "resistance_ohm": 53.4,
            "score": 0.82,
            "reasons": ["6 ft 3 in from the buried gas line, 3 ft 4 in wanted", "grass"],
            "nearest": [
                {"feature_id": "gas-1", "kind": "buried_gas", "distance_m": 1.9, "clearance_m": 1.0}
            ],
            "meets": [{"feature_id": "walk-1", "kind": "sidewalk", "name": "Elm Street walk"}]
            if number == 1
            else [],
            "seen_from": _seen_from(pole_id, end, bearing_deg),
        }
        outline = capsule((x_m, y_m), end, 3.05, 8)
        zone = {
            "radius_m": 3.05,
            "perimeter_m": 28.7,
            "cones": len(outline),
            "geometry": {"type": "Polygon", "coordinates": ring(*outline)},
            "cone_points": line(*outline),
        }
    return {
        "location_id": f"L{number}",
        "title": title,
        "pole_id": pole_id,
        "role": role,
        "circuit_ids": ["F1"],
        "lon": lon,
        "lat": lat,
        "electrode": "rod" if rod else None,
        "rod": rod,
        "zone": zone,
    }


def _seen_from(pole_id: str, rod: tuple[float, float], bearing_deg: float) -> list[dict[str, Any]]:
    """Return the rod's own pole and the worksite's pole as marks, measured in the plane."""
    rows = []
    for name in (pole_id, "P20"):
        x_m, y_m = POLES[name]
        lon, lat = position(x_m, y_m)
        turn = math.degrees(math.atan2(rod[0] - x_m, rod[1] - y_m)) % 360.0
        rows.append(
            {
                "what": f"pole {name}",
                "kind": "pole",
                "feature_id": name,
                "lon": lon,
                "lat": lat,
                "bearing_deg": bearing_deg if name == pole_id else round(turn, 1),
                "distance_m": round(math.dist(rod, (x_m, y_m)), 3),
                "crossing_deg": None if name == pole_id else 80.0,
            }
        )
    return rows


# Where each end of a lead is at a pole of the example: sideways and above ground [m].
ENDS = {
    "bar": (0.0, 7.0),
    "neutral": (0.15, 8.5),
    "A": (-1.1, 10.2),
    "B": (0.3, 10.2),
    "C": (1.1, 10.2),
}


def _top(number: int, pole_id: str, *, rod_x_m: float | None) -> dict[str, Any]:
    """Return one pole seen from the side, with a circuit that stays energized below."""
    ends = ENDS if rod_x_m is not None else {name: ENDS[name] for name in ("bar", "B")}
    places = {**ends, **({"rod": (rod_x_m, 0.0)} if rod_x_m is not None else {})}
    hung = {name: ENDS[name] for name in ("A", "B", "C", "neutral")}
    return {
        "location_id": f"L{number}",
        "pole_id": pole_id,
        "material": "wood",
        "height_m": 10.7,
        "bar_height_m": 7.0,
        "base": "bar",
        "rod_length_m": None if rod_x_m is None else 1.8288,
        "seen_from": "P18",
        "seen_towards": pole_id,
        "seen_bearing_deg": 90.0,
        "ends": [{"end": name, "x_m": x_m, "y_m": y_m} for name, (x_m, y_m) in places.items()],
        "conductors": [
            *(
                {"circuit_id": "F1", "conductor": name, "x_m": x_m, "y_m": y_m, "worked": True}
                for name, (x_m, y_m) in hung.items()
            ),
            {"circuit_id": "F2", "conductor": "A", "x_m": 0.9, "y_m": 6.1, "worked": False},
        ],
        "sides": [],
    }


CLAMPS = {
    "rod": "rod clamp, 0.5 to 1 in",
    "bar": "flat-face clamp",
    "neutral": "C clamp, 0.16 to 2 in",
    "A": "C clamp, 0.16 to 2 in",
    "B": "C clamp, 0.16 to 2 in",
    "C": "C clamp, 0.16 to 2 in",
}


def _lead(pole_id: str, number: int, start: str, end: str, length_ft: int) -> dict[str, Any]:
    electrode = start == "rod"
    role = "electrode" if electrode else "fault"
    return {
        "lead_id": f"{pole_id}-{number}",
        "pole_id": pole_id,
        "from": start,
        "to": end,
        "role": "personal" if pole_id == "P20" else role,
        "parallel": 1,
        "size": "2/0",
        "length_m": round(length_ft * 0.3048, 4),
        "clamp_from": CLAMPS[start],
        "clamp_to": CLAMPS[end],
        "grade": "5",
        "resistance_ohm": 0.00321,
        "reactance_ohm": 0.00214,
        "current_a": 141.3 if electrode else 6842.7,
        "time_s": 0.5,
        "rating_a": 19300.0,
        "margin_ratio": 136.588 if electrode else 2.82053,
        "source": "ASTM F855 Table 1, withstand",
    }


def _leads() -> list[dict[str, Any]]:
    whole = [
        ("rod", "bar", 40),
        ("bar", "neutral", 10),
        ("neutral", "A", 10),
        ("A", "B", 10),
        ("B", "C", 10),
    ]
    rows = [
        _lead(pole_id, number, *ends)
        for pole_id in ("P19", "P21")
        for number, ends in enumerate(whole, start=1)
    ]
    return [*rows, _lead("P20", 1, "bar", "B", 10)]


def _steps(leads: list[dict[str, Any]]) -> dict[str, list[dict[str, Any]]]:
    def step(part: str, number: int, pole_id: str | None, text: str, **more: Any) -> dict[str, Any]:
        return {"step_id": f"{part}-{number}", "pole_id": pole_id, "text": text, **more}

    prepare = [
        ("P19", "Read the number on the pole: it must be P19. Another number: stop and replan."),
        ("P19", "Drive the rod full depth, 15 ft 8 in (4.75 m) from P19 at 20°."),
        ("P21", "Drive the rod full depth, 15 ft 8 in (4.75 m) from P21 at 200°."),
        ("P19", "Put the cones up round rod and lead at P19; attendant at the sidewalk."),
        ("P21", "Put the cones up round rod and lead at P21."),
        ("P20", "Test dead: prove the detector, test A, B, C, prove the detector again."),
        ("P20", "Clean the conductors where clamps will sit."),
    ]
    apply = [
        step(
            "apply",
            number,
            lead["pole_id"],
            f"Lead {lead['lead_id']} at {lead['pole_id']}: {lead['from']} first, then "
            f"{lead['to']} with the stick. {lead['size']}.",
            lead_id=lead["lead_id"],
            tool="live-line tool",
            ends=[lead["from"], lead["to"]],
        )
        for number, lead in enumerate(leads, start=1)
    ]
    remove = [
        step(
            "remove",
            number,
            lead["pole_id"],
            f"Lead {lead['lead_id']} at {lead['pole_id']}: {lead['to']} off first with the stick, "
            f"then {lead['from']}.",
            lead_id=lead["lead_id"],
            tool="live-line tool",
            ends=[lead["to"], lead["from"]],
        )
        for number, lead in enumerate(reversed(leads), start=1)
    ]
    return {
        "prepare": [step("prepare", n, pole, text) for n, (pole, text) in enumerate(prepare, 1)],
        "apply": apply,
        "work": [
            step("work", 1, "P20", "Report to the dispatcher: 11 leads on at P19, P21, P20."),
            step("work", 2, "P20", "Work between the brackets only."),
        ],
        "remove": remove,
        "release": [
            step("release", 1, None, "Count out: 11 leads off. The count must equal the count in."),
            step("release", 2, None, "Report all clear and all grounds off to the dispatcher."),
        ],
    }


def _picture() -> dict[str, Any]:
    names = ["P17", "P18", "P19", "P20", "P21", "P22", "P23"]
    spans = [
        {
            "span_id": f"S{number}",
            "circuit_id": "F1",
            "phases": "ABC",
            "worked": True,
            "kind": "overhead",
            "line": line(POLES[a], POLES[b]),
        }
        for number, (a, b) in enumerate(itertools.pairwise(names), start=17)
    ]
    spans.append(
        {
            "span_id": "T1",
            "circuit_id": "F2",
            "phases": "ABC",
            "worked": False,
            "kind": "overhead",
            "line": line(POLES["Q1"], POLES["Q2"]),
        }
    )

    def feature(
        name: str, kind: str, label: str, geometry: str, coordinates: Any
    ) -> dict[str, Any]:
        shape = {"type": geometry, "coordinates": coordinates}
        return {"feature_id": name, "kind": kind, "name": label, "geometry": shape}

    surroundings = [
        feature("road-1", "road", "Elm Street", "Polygon", rectangle(-200, -24, 400, 8)),
        feature("walk-1", "sidewalk", "Elm Street walk", "Polygon", rectangle(-200, -14.5, 400, 2)),
        feature("bldg-1", "building", "17 Elm Street", "Polygon", rectangle(-92, 16, 24, 16)),
        feature("bldg-2", "building", "Pump house", "Polygon", rectangle(22, 18, 14, 12)),
        feature(
            "pond-1", "water", "Pond", "Polygon", ring((85, 22), (130, 26), (120, 52), (90, 45))
        ),
        feature("gas-1", "buried_gas", "4 in gas", "LineString", line((-200, -8), (200, -7))),
        feature("wat-1", "buried_water", "8 in main", "LineString", line((-200, -28), (200, -28))),
        feature(
            "tel-1", "buried_telecom", "Fibre", "LineString", line((-200, 12), (0, 13), (200, 12))
        ),
        feature("pow-1", "buried_power", "480 V", "LineString", line((-70, -60), (-70, 20))),
        feature("sew-1", "buried_sewer", "Sewer", "LineString", line((-200, -21), (200, -21))),
        feature("tree-1", "tree", "Oak", "Point", position(34, -6)),
        feature("fence-1", "fence", "Fence", "LineString", line((-40, 10), (-5, 10))),
    ]
    return {
        "tops": [
            _top(1, "P19", rod_x_m=-4.75),
            _top(2, "P21", rod_x_m=4.75),
            _top(3, "P20", rod_x_m=None),
        ],
        "poles": [
            {"pole_id": name, "lon": position(*xy)[0], "lat": position(*xy)[1]}
            for name, xy in POLES.items()
        ],
        "spans": spans,
        "surroundings": surroundings,
        "other_lines": [
            {
                "line_id": "X-69",
                "nominal_kv": 69.0,
                "state": "energized",
                "line": line((-200, 66), (200, 78)),
            }
        ],
        "equipment": [
            {"equipment_id": "TR-5", "kind": "transformer", "pole_id": "P22", "circuit_id": "F1"}
        ],
        "devices": [
            {
                "device_id": "SW-18",
                "kind": "switch",
                "pole_id": "P18",
                "span_id": "S18",
                "state": "open",
            }
        ],
    }


def _fault() -> dict[str, Any]:
    return {
        "three_phase_a": 6842.7,
        "phase_phase_a": 5925.9,
        "two_phase_ground_a": 6501.2,
        "phase_ground_a": 5210.4,
        "governing": "three_phase_a",
        "x_over_r": 4.2,
        "clearing_s": 0.5,
        "asymmetry_ratio": 1.021,
    }


def _cases() -> list[dict[str, Any]]:
    rows = [
        ("ABC", "F1", "A-bar@P20", "intact", 8.1),
        ("A", "F1", "A-bar@P20", "broken", 31.6),
        ("AB", "F1", "B-bar@P20", "intact", 12.4),
        ("A", "TR-5", "neutral-bar@P20", "intact", 4.4),
    ]
    return [
        {
            "event": event,
            "from": origin,
            "contact": contact,
            "neutral": neutral,
            "voltage_v": voltage_v,
            "body_a": voltage_v / 1000.0,
            "limit_v": 75.0,
            "passed": True,
        }
        for event, origin, contact, neutral, voltage_v in rows
    ]


def _zones_and_checks() -> dict[str, Any]:
    return {
        "rod_zone": [
            {
                "pole_id": pole_id,
                "rod_rise_v": 7180.0,
                "step_v_at_zone": 212.0,
                "touch_v": 95.5,
                "limit_v": 232.0,
                "radius_needed_m": 2.74,
                "passed": True,
            }
            for pole_id in ("P19", "P21")
        ],
        "checks": [
            {
                "code": "worker_voltage",
                "where": ["P20"],
                "value": 31.6,
                "limit": 75.0,
                "unit": "V",
                "passed": True,
                "source": "DOE-HDBK-1092 clause 4.15.2",
            },
            {
                "code": "lead_rating",
                "where": ["P19", "P20", "P21"],
                "value": 6842.7,
                "limit": 19300.0,
                "unit": "A",
                "passed": True,
                "source": "ASTM F855 Table 1, withstand",
            },
        ],
        "worker": {
            "body_ohm": 1000.0,
            "limit_v": 75.0,
            "limit_rule": "DOE-HDBK-1092 clause 4.15.2",
            "worst_v": 31.6,
            "worst_case": "A energized from F1, A-bar@P20, neutral broken",
            "residual": 1.3e-12,
            "cases": _cases(),
        },
        "approach": [
            {
                "circuit_id": "F1",
                "nominal_kv": 12.47,
                "phase_ground_m": 0.65,
                "phase_phase_m": 0.67,
                "source": "29 CFR 1910.269 Table R-6",
            },
            {
                "line_id": "X-69",
                "nominal_kv": 69.0,
                "phase_ground_m": 1.0,
                "phase_phase_m": 1.22,
                "source": "29 CFR 1910.269 Table R-6",
            },
        ],
    }


def _words() -> dict[str, Any]:
    return {
        "materials": [
            {
                "item": "lead",
                "size": "2/0",
                "length_m": 12.192,
                "count": 2,
                "from_kit": ["K-1", "K-2"],
                "short": 0,
            },
            {
                "item": "lead",
                "size": "2/0",
                "length_m": 3.048,
                "count": 9,
                "from_kit": ["K-3", "K-4"],
                "short": 7,
            },
            {"item": "ground rod", "size": "6 ft", "length_m": None, "count": 2, "short": 0},
            {"item": "cone", "size": None, "length_m": None, "count": 36},
        ],
        "assumptions": [
            {"text": "Voltage before the fault 1.0 of nominal", "source": "not stated in the data"},
            {"text": "Cone zone radius 10 ft", "source": "employer's setting; common practice"},
        ],
        "cautions": [
            {
                "text": "A rod alone seldom trips anything: 7,200 V / 53.4 ohm = 135 A.",
                "source": "",
            },
            {"text": "Line X-69 stays energized beside the work: induction.", "source": "picture"},
        ],
        "triggers": [
            "The number on the pole is not the one on the map.",
            "The detector shows anything.",
            "A rod will not go down.",
        ],
        "options": [
            {
                "method": "dual-point",
                "feasible": True,
                "reasons": ["every check passed"],
                "totals": {"locations": 3, "leads": 11, "rods": 2},
                "worst_worker_v": 31.6,
            },
            {
                "method": "single-point",
                "feasible": True,
                "reasons": ["fewer leads", "rod beside the working crew"],
                "totals": {"locations": 1, "leads": 5, "rods": 1},
                "worst_worker_v": 24.2,
            },
        ],
    }


def _outlines(locations: list[dict[str, Any]]) -> dict[str, Any]:
    """Return outlines, numbered cones and what a walk asks for, as newer plans have them."""
    zones, cones = [], []
    for row in locations:
        if row["zone"]:
            zone_id = f"Z{len(zones) + 1}"
            zones.append(
                {
                    "zone_id": zone_id,
                    "parts": [row["location_id"]],
                    "perimeter_m": row["zone"]["perimeter_m"],
                    "area_m2": 58.0,
                    "cones": row["zone"]["cones"],
                    "geometry": row["zone"]["geometry"],
                }
            )
            cones += [
                {
                    "number": len(cones) + number,
                    "zone_id": zone_id,
                    "part": row["location_id"],
                    "pole_id": row["pole_id"],
                    "lon": lon,
                    "lat": lat,
                    "bearing_deg": 20.0 * number,
                    "distance_m": 5.25,
                }
                for number, (lon, lat) in enumerate(row["zone"]["cone_points"], 1)
            ]
    return {"zones": zones, "cones": cones, "traffic": [_walk(), _street()]}


def _walk() -> dict[str, Any]:
    return {
        "zone_ids": ["Z1"],
        "feature_id": "walk-1",
        "kind": "sidewalk",
        "name": "Elm Street walk",
        "pole_ids": ["P19"],
        "measure": "walk closed",
        "text": "The zone meets sidewalk Elm Street walk: close it on both sides.",
        "source": "common practice, no source",
        "tapers": [],
        "signs": [],
        "drawn": [],
    }


def _street() -> dict[str, Any]:
    return _walk() | {
        "feature_id": "road-1",
        "kind": "road",
        "name": "Elm Street",
        "measure": "shoulder closed",
        "text": "The zone meets road Elm Street: close the shoulder.",
        "tapers": [{"kind": "shoulder"}],
        "signs": [{"text": "ROAD WORK AHEAD"}],
        "drawn": line((0.0, -8.0), (6.0, -8.4), (12.0, -8.4)),
    }


def example_document() -> dict[str, Any]:
    """Return a dual-point plan for one pole of a straight three-phase line, with two open items."""
    leads = _leads()
    document: dict[str, Any] = {
        "format": FORMAT,
        "job_id": "elm-street-p20",
        "title": "Replace the crossarm at P20, Elm Street",
        "made_at": "2026-03-02T06:15:00Z",
        "tool_version": __version__,
        "inputs": [
            {"layer": "poles", "sha256": "0" * 64, "rows": 9, "date": "2026-02-20"},
            {"layer": "job", "sha256": "1" * 64, "rows": 1, "date": "2026-03-01"},
        ],
        "open_items": [
            {
                "code": "locate-ticket",
                "where": ["P19", "P21"],
                "what": "No locate ticket is named in the job.",
                "why": "A rod is driven beside a buried gas line.",
                "who": "planner",
                "settles": "The ticket's number, once the marks are on the ground.",
            },
            {
                "code": "sources-opened",
                "where": ["SW-18"],
                "what": "The job does not say which devices are opened and tagged.",
                "why": "Every way out must be isolated before the test.",
                "who": "dispatcher",
                "settles": "The ids of the devices opened and tagged.",
            },
        ],
        "method": "dual-point",
        "method_reason": "Two ways out; brackets at P19 and P21, personal ground at P20.",
        "directions": [
            {
                "pole_id": "P20",
                "span_id": "S19",
                "towards": "source",
                "sources": ["F1"],
                "bracket_pole_id": "P19",
            },
            {
                "pole_id": "P20",
                "span_id": "S20",
                "towards": "load",
                "sources": ["TR-5"],
                "bracket_pole_id": "P21",
            },
        ],
        "locations": [
            _location(
                1, "P19", role="bracket", title="Bracket at P19, source side", bearing_deg=20.0
            ),
            _location(2, "P21", role="bracket", title="Bracket at P21, load side", bearing_deg=200),
            _location(3, "P20", role="worksite", title="Personal ground at P20", bearing_deg=None),
        ],
        "leads": leads,
        "totals": {
            "locations": 3,
            "leads": 11,
            "rods": 2,
            "cluster_bars": 3,
            "clamps": 22,
            "cones": 36,
        },
        "faults": {pole_id: _fault() for pole_id in ("P19", "P20", "P21")},
        "steps": _steps(leads),
        "job": {
            "circuit_ids": ["F1"],
            "worksite_poles": ["P20"],
            "worksite_span": None,
            "work_position": "pole",
            "requested_method": "auto",
            "locate_ticket": None,
            "sources_opened": None,
            "isolated_equipment": [],
            "open_conductor": [],
            "limits": {"rod_setback": "15 ft (4.57 m)", "cone_radius": "10 ft (3.05 m)"},
        },
        "circuits": [
            {
                "circuit_id": "F1",
                "nominal_kv": 12.47,
                "frequency_hz": 60,
                "source_pole": "P17",
                "fault_data_source": "Planning department, short-circuit study 14",
                "fault_data_date": "2026-01-15",
            }
        ],
        "picture": _picture(),
        **_zones_and_checks(),
        **_words(),
    }
    return document | _outlines(document["locations"])


def settled_document() -> dict[str, Any]:
    """Return the same plan with nothing left open."""
    document = example_document()
    document["open_items"] = []
    document["job"]["locate_ticket"] = "T-4711"
    document["job"]["sources_opened"] = ["SW-18"]
    return document


# Words that choose how something is drawn, and dates: anything else in a plan is free text.
_FIXED = {"format", "made_at", "tool_version", "sha256", "type", "plan_hash"}


def hostile_document(text: str = HOSTILE) -> dict[str, Any]:
    """Return the example with `text` behind every text in it."""

    def spoil(value: Any, key: str = "") -> Any:
        if isinstance(value, dict):
            names = {
                name: f"{name}{text}" if key in {"faults", "limits"} else name for name in value
            }
            return {names[name]: spoil(item, name) for name, item in value.items()}
        if isinstance(value, list):
            return [spoil(item, key) for item in value]
        return f"{value}{text}" if isinstance(value, str) and key not in _FIXED else value

    return spoil(copy.deepcopy(example_document()))


def crowded_document(poles: int = 60, buildings: int = 500) -> dict[str, Any]:
    """Return the example among many poles and buildings."""
    document = example_document()
    picture = document["picture"]
    for number in range(poles):
        lon, lat = position(-300 + 10.0 * number, 90 + 7 * (number % 3))
        picture["poles"].append({"pole_id": f"R{number}", "lon": lon, "lat": lat})
    for number in range(buildings):
        x_m, y_m = -300 + 24.0 * (number % 25), 100 + 22.0 * (number // 25)
        shape = {"type": "Polygon", "coordinates": rectangle(x_m, y_m, 14.0, 12.0)}
        picture["surroundings"].append(
            {"feature_id": f"b{number}", "kind": "building", "name": "", "geometry": shape}
        )
    return document


def finished(document: dict[str, Any]) -> Plan:
    """Return the plan with its readiness and hash filled in."""
    document["ready"] = is_ready(document)
    document["plan_hash"] = plan_hash(document)
    return Plan(document)
