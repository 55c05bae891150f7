"""What roads, walks and driveways ask for where a zone reaches them: rows, steps, open items."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from gridground.grounding import traffic
from gridground.grounding.steps import ZoneWords
from gridground.grounding.vehicle_steps import VehicleWords
from gridground.record import OpenItem
from gridground.roadwork import (
    MERGE,
    NARROW,
    ONE_LANE,
    SHOULDER,
    TOUCH_M,
    UNKNOWN,
    drawn_of,
    missing_of,
    setup_of,
    under_one_control,
)
from gridground.units import M_PER_IN, M_PER_S_PER_MPH, feet_text, significant

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.ground import Outline
    from gridground.record import LeadRow
    from gridground.roads import Met, Road
    from gridground.roadwork import Setup
    from gridground.scene import Scene
    from gridground.zoning import Zoned

# What the others ask for: measure, what to do, source.
_OTHERS = {
    "sidewalk": (
        "walk closed",
        "close the walk on both sides of the zone with SIDEWALK CLOSED signs and show "
        "pedestrians another way that can be walked and rolled; until that stands, and where there "
        "is no other way, an attendant",
        "MUTCD 2009 section 6D.01 (11th edition: chapter 6C), from memory",
    ),
    "driveway": (
        "driveway closed",
        "tell the occupants, close the driveway with cones, and leave an attendant: nobody drives "
        "or walks through",
        "common practice, no source",
    ),
    "building": (
        "attendant",
        "tell the occupants; no door that opens into the zone is used; an attendant",
        "common practice, no source",
    ),
    "public_place": (
        "attendant",
        "keep people off with an attendant",
        "common practice, no source",
    ),
}


def traffic_rows(scene: Scene, mets: Sequence[Met]) -> list[dict[str, Any]]:
    """Return the rows of ``traffic``: what each feature that a zone reaches asks for.

    Parameters
    ----------
    scene : Scene
        For the job and, on the map, for the edges of the roads.
    mets : sequence of Met
        As `gridground.roads.mets_of` returns.

    Returns
    -------
    list of dict
        `text` says what is done before the rod, `after` what is done once the cones of the zone
        are down. `drawn` are the places of devices along a road's edge, an estimate; empty where
        the edge is not plain enough.
    """
    dark = scene.job.traffic.night is not False
    mets = under_one_control(scene, mets, dark=dark)
    return [_road_row(scene, met, mets) if met.road else _other_row(met) for met in mets]


def zone_words(
    locations: Sequence[dict[str, Any]],
    outlines: Sequence[Outline],
    rows: Sequence[dict[str, Any]],
) -> list[ZoneWords]:
    """Return what the steps say of each location's zone.

    Parameters
    ----------
    locations : sequence of dict
        Rows of the plan.
    outlines : sequence of Outline
    rows : sequence of dict
        Rows of ``traffic``; each is said at the first location whose zone it belongs to, those of
        no location at the truck: see `vehicle_words`.
    """
    names = [row["location_id"] for row in locations]
    pole = {row["location_id"]: row["pole_id"] for row in locations}
    told: dict[str, list[dict[str, Any]]] = {name: [] for name in names}
    for row in rows:
        at = next((one for one in row["parts"] if one in told), None)
        if at is not None:
            told[at].append(row)
    words = []
    for name in names:
        outline = next((one for one in outlines if name in one.parts), None)
        words.append(
            ZoneWords(
                "" if outline is None else _cone_words(name, outline, pole),
                tuple(row["text"] for row in told[name]),
                tuple(row["after"] for row in told[name]),
            )
        )
    return words


def vehicle_words(
    locations: Sequence[dict[str, Any]],
    zoned: Zoned,
    rows: Sequence[dict[str, Any]],
    *,
    bond: LeadRow | None,
) -> VehicleWords:
    """Return what the steps say of the truck's own rod, its zone and its bond; as `zone_words`."""
    outlines = zoned.outlines
    pole = {row["location_id"]: row["pole_id"] for row in locations}
    own = [row for row in rows if not pole.keys() & set(row["parts"])]
    outline = next((one for one in outlines if "vehicle" in one.parts), None)
    return VehicleWords(
        "" if outline is None else _cone_words("vehicle", outline, pole),
        tuple(row["text"] for row in own),
        tuple(row["after"] for row in own),
        next((part.radius_m for part in zoned.parts if part.name == "vehicle"), None),
        bond,
    )


def _cone_words(name: str, outline: Outline, pole: dict[str, str | None]) -> str:
    """Say which numbers the cones of a location have, and with what it shares its line."""
    numbers = [cone.number for cone in outline.cones if cone.part == name]
    text = f", numbers {_ranges(numbers)}" if numbers else ""
    if len(outline.parts) == 1:
        return text
    others = [
        f"pole {pole[one]}" if pole.get(one) else f"the {one}"
        for one in outline.parts
        if one != name
    ]
    return (
        f"{text}; they are part of the one line of {len(outline.cones)} cones (zone "
        f"{outline.zone_id}) that goes round this zone and that of {', '.join(others)}: no cones "
        "stand between them"
    )


def _ranges(numbers: Sequence[int]) -> str:
    """Write ascending numbers as ranges.

    Examples
    --------
    >>> _ranges([1, 2, 3, 7, 9, 10])
    '1 to 3, 7, 9 to 10'
    """
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(str(r[0]) if len(r) == 1 else f"{r[0]} to {r[-1]}" for r in runs)


def traffic_items(scene: Scene, rows: Sequence[dict[str, Any]]) -> list[OpenItem]:
    """Ask what is not known of roads that zones reach, unless a traffic control plan is on file."""
    if scene.job.traffic.plan is not None:
        return []
    return [
        OpenItem(
            "traffic_unknown",
            (*row["pole_ids"], row["feature_id"]),
            f"the zone reaches road {row['name'] or row['feature_id']}; not known of it: "
            f"{', '.join(row['missing'])}",
            "whether a lane is closed, how long tapers are, how many cones and signs are loaded",
            "the road's owner or the planner",
            "state speed_mph, road_type and lanes_each_way of the road in surroundings or in "
            "[traffic] of the job, or name the traffic control plan on file: [traffic] plan",
        )
        for row in rows
        if row["missing"]
    ]


def traffic_materials(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return what traffic asks to be loaded, apart from the cones of the zones."""
    wanted: Counter[str] = Counter()
    for row in rows:
        if row["devices"]:
            wanted[f"traffic cone, {_inches(row['cone_height_m'])} or higher"] += row["devices"]
        for sign in row["signs"]:
            wanted[f"sign, {sign['text']}"] += row["approaches"]
        if row["flaggers"]:
            wanted["STOP/SLOW paddle"] += row["flaggers"]
    return [
        {"item": item, "size": "", "length_m": None, "count": count, "from_kit": [], "short": 0}
        for item, count in sorted(wanted.items())
    ]


def traffic_assumptions(scene: Scene, rows: Sequence[dict[str, Any]]) -> list[dict[str, str]]:
    """Return what the tapers rest on where nobody states it."""
    roads = [row for row in rows if row["tapers"]]
    found = []
    if roads and scene.job.traffic.night is None:
        text = "Traffic cones as for work in the dark: the job does not say that none is done then."
        found.append({"text": text, "source": traffic.rule_source("cone_high")})
    if any(row["drawn"] for row in roads):
        text = "Traffic keeps to the right: so the map shows the cones along roads."
        found.append({"text": text, "source": "the MUTCD is the manual of the United States"})
    for row in roads:
        if not row["lane_width_stated"] and row["measure"] in {ONE_LANE, MERGE}:
            wide = feet_text(traffic.widest_lane_m())
            text = f"Lanes of road {row['name'] or row['feature_id']}: {wide} wide, not stated."
            found.append({"text": text, "source": traffic.rule_source("lane_width")})
    return list({row["text"]: row for row in found}.values())


def _blank(met: Met) -> dict[str, Any]:
    """Return a row without measures."""
    return {
        "zone_ids": list(met.zone_ids),
        "parts": list(met.parts),
        "pole_ids": list(met.pole_ids),
        "feature_id": met.feature_id,
        "kind": met.kind,
        "name": met.name,
        "reach_m": met.reach_m,
        "along_m": met.along_m,
        "missing": [],
        "tapers": [],
        "devices": 0,
        "devices_along": 0,
        "cone_height_m": None,
        "signs": [],
        "approaches": 0,
        "flaggers": 0,
        "drawn": [],
        "lane_width_stated": False,
    }


def _other_row(met: Met) -> dict[str, Any]:
    """Return the row of a walk, driveway, building or public place."""
    measure, what, source = _OTHERS[met.kind]
    name = _name(met)
    walk = [{"text": "SIDEWALK CLOSED", "distance_m": None}] if met.kind == "sidewalk" else []
    return _blank(met) | {
        "signs": walk,
        "approaches": 2 * len(walk),
        "measure": measure,
        "text": f"The zone meets {name}: {what}. Before anything is driven.",
        "after": f"Open {name} again.",
        "source": source,
    }


def _name(met: Met) -> str:
    """Name a feature with its kind, once."""
    kind = met.kind.replace("_", " ")
    name = met.name or met.feature_id
    return name if name.lower().startswith(kind) else f"{kind} {name}"


def _road_row(scene: Scene, met: Met, mets: Sequence[Met]) -> dict[str, Any]:
    """Return the row of a road."""
    road, asked = met.road, scene.job.traffic
    name = met.name or met.feature_id
    met_by = "The zone meets"
    if len(met.zone_ids) > 1:
        met_by = f"Zones {', '.join(met.zone_ids)} meet"
    head = f"{met_by} road {name}, {feet_text(max(met.reach_m, 0.0))} beyond "
    head += "its edge" if met.has_width else "the line it is drawn as; its edge is not known"
    plan = "" if asked.plan is None else f" Traffic control plan on file: {asked.plan}. It decides."
    if road is None or (missing := missing_of(road, met)):
        gap = [] if road is None else missing
        return _blank(met) | {
            "measure": UNKNOWN,
            "missing": [] if asked.plan is not None else gap,
            "text": f"{head}: traffic control before anything is driven, with an attendant."
            + (plan or " What the road asks for is not worked out: an open item says why."),
            "after": f"Take the traffic control on {name} up.",
            "source": "29 CFR 1910.269(w)(6): traffic control where employees work in traffic, "
            "from memory",
        }
    if met.has_width and met.reach_m <= TOUCH_M:
        return _blank(met) | {
            "measure": "attendant",
            "text": f"{head}: it only touches the edge; an attendant keeps people off.{plan}",
            "after": f"Leave road {name} as it was.",
            "source": "our judgement",
        }
    setup = setup_of(road, met, dark=asked.night is not False)
    drawn = drawn_of(scene, met, setup)
    return (
        _blank(met)
        | _facts(road, setup)
        | {
            "measure": setup.measure,
            "text": f"{head}: {_words(setup, road)}.{_twice(met, mets)}{plan}",
            "after": f"Take the traffic cones on {name} up, last placed first, then the signs"
            + ("; the flaggers leave last." if setup.measure == ONE_LANE else "."),
            "drawn": drawn,
            "source": setup.source,
        }
    )


def _facts(road: Road, setup: Setup) -> dict[str, Any]:
    """Return the figures of a road's row."""
    return {
        "speed_m_per_s": significant(float(road.speed_m_per_s or 0.0)),
        "speed_from": road.said_by,
        "road_type": road.road_type,
        "lanes_each_way": road.lanes_each_way,
        "lane_width_stated": road.lane_width_m is not None,
        "tapers": [
            {
                "kind": one.kind,
                "length_m": significant(one.length_m),
                "offset_m": significant(one.offset_m),
                "spacing_m": significant(one.spacing_m),
                "devices": one.devices,
                "source": one.source,
            }
            for one in setup.tapers
        ],
        "devices_along": setup.along,
        "devices": sum(one.devices for one in setup.tapers) + setup.along,
        "cone_height_m": significant(setup.cone_height_m),
        "signs": [{"text": text, "distance_m": significant(away)} for text, away in setup.signs],
        "approaches": setup.approaches,
        "flaggers": 2 if setup.measure == ONE_LANE else 0,
    }


def _words(setup: Setup, road: Road) -> str:
    """Say what a road asks for in one sentence."""
    mph = float(road.speed_m_per_s or 0.0) / M_PER_S_PER_MPH
    what = {
        ONE_LANE: "close the near lane; one-lane two-way traffic, a flagger at either end",
        MERGE: "close the near lane; traffic merges",
        NARROW: "the near lane stays open, at least "
        f"{feet_text(traffic.lane_left_m())} wide; traffic moves over",
        SHOULDER: "close the shoulder",
    }[setup.measure]
    first, last = setup.tapers
    text = (
        f"{what}. Road: {road.road_type}, {mph:.0f} mph by {road.said_by}. Taper "
        f"{feet_text(first.length_m)} with {first.devices} cones, {feet_text(first.spacing_m)} "
        f"apart at most; "
    )
    if setup.along:
        text += f"{setup.along} along the zone; "
    text += (
        f"behind it {feet_text(last.length_m)} with {last.devices}. Cones "
        f"{_inches(setup.cone_height_m)} high at least. Signs before the taper"
        f"{' from both sides' if setup.approaches == 2 else ''}: "
    )
    return text + ", ".join(f"{sign} at {feet_text(away)}" for sign, away in setup.signs)


def _twice(met: Met, mets: Sequence[Met]) -> str:
    """Say that another zone of the job reaches the same road."""
    others = [
        zone_id
        for one in mets
        if one.feature_id == met.feature_id and one is not met
        for zone_id in one.zone_ids
    ]
    if not others:
        return ""
    return f" The road is also reached by zone {', '.join(others)}."


def _inches(length_m: float) -> str:
    """Return a height in inches with centimetres beside."""
    return f"{length_m / M_PER_IN:.0f} in ({100 * length_m:.0f} cm)"
