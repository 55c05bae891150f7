"""The surroundings and the soil of the sample territory, in metres like the network.

Roads run beside the lines, about 4 m from the poles. Houses, driveways, trees and yards are drawn
by chance from a fixed seed and kept only where they do not lie on a road, a pole or each other.
"""

from __future__ import annotations

import random
from typing import Any

import shapely
from sample_data_network import Net
from shapely.geometry import LineString, Point, Polygon, box

HALF_ROAD_M = 4.0  # village and county roads alike: two lanes
ROADS: dict[str, list[tuple[float, float]]] = {
    "Ridge Road": [(-1320, 0), (4700, 0)],
    "Creek Road": [(572, 0), (572, -612)],
    "Section Road": [(560, -608), (4560, -608)],
    "East Road": [(4052, -608), (4052, 0)],
    "Old Quarry Road": [(-1290, 0), (-1290, 1040)],
    "Dairy Lane": [(1877, 0), (1877, 1560)],
    "First Street": [(707, 0), (707, 350)],
    "Second Street": [(887, 0), (887, 300)],
    "Hill Street": [(887, 225), (1110, 225)],
    "Third Street": [(1067, 0), (1067, -300)],
    "Mill Street": [(1247, -380), (1247, 400)],
    "Fourth Street": [(1427, 0), (1427, 350)],
    "Fifth Street": [(1562, 0), (1562, -300)],
}
# Posted speed and kind of road; the streets not named here have 25 mph.
SPEEDS = {
    "Ridge Road": (35, "urban low speed"), "Creek Road": (45, "rural"),
    "Section Road": (55, "rural"), "East Road": (55, "rural"),
    "Old Quarry Road": (35, "rural"), "Dairy Lane": (35, "rural"),
}  # fmt: skip
STREETS = ("First Street", "Second Street", "Third Street", "Mill Street", "Fourth Street",
           "Fifth Street")  # fmt: skip
STREAM = [
    (2560, 1500), (2545, 900), (2600, 600), (2640, 300), (2682, 60), (2686, -60), (2690, -200),
    (2668, -430), (2661, -560), (2660, -650), (2720, -900), (2700, -1500),
]  # fmt: skip
STORE_YARD = box(765, HALF_ROAD_M - 0.5, 845, 66)  # paved, round pole P114
SCHOOL_YARD = box(1290, -235, 1402, -95)
FARMS = (
    (1330.0, -1620.0), (1296.0, -1010.0), (2350.0, -1490.0), (2440.0, -905.0), (3420.0, -1180.0),
    (2490.0, -380.0), (1915.0, 1535.0), (4390.0, 95.0), (-1255.0, 1065.0), (-420.0, 495.0),
    (3250.0, -640.0), (3020.0, -45.0),
)  # fmt: skip


class Ground:
    """Features while they are being drawn."""

    def __init__(self, net: Net) -> None:
        self.rows: list[dict[str, Any]] = []
        self.count: dict[str, int] = {}
        self.chance = random.Random(19)  # noqa: S311
        self.poles = shapely.multipoints(list(net.at.values()))
        self.wires = shapely.union_all([LineString(line) for line in net.lines.values()])
        lines = [LineString(line["line"]) for line in net.other_lines]
        self.wires = shapely.union_all([self.wires, *lines])
        self.roads: Any = Polygon()
        self.walks: Any = Polygon()
        self.built: Any = Polygon()

    def add(self, kind: str, geometry: Any, name: str = "", **more: Any) -> None:
        """Add a feature; its id is its kind and a number."""
        self.count[kind] = self.count.get(kind, 0) + 1
        row = {"feature_id": f"{kind}-{self.count[kind]}", "kind": kind, "name": name or kind}
        self.rows.append(row | more | {"shape": geometry})


def build_surroundings(net: Net) -> list[dict[str, Any]]:
    """Draw everything round the poles."""
    ground = Ground(net)
    _roads(ground)
    _water(ground)
    _buried(ground)
    _store(ground)
    _school(ground)
    _walks(ground)
    _houses(ground, net)
    _farms(ground)
    _open_land(ground)
    _trees(ground)
    return ground.rows


def _strip(line: Any, half_m: float) -> Any:
    """Return a line as a strip with square ends."""
    return shapely.buffer(LineString(line), half_m, cap_style="flat", join_style="mitre")


def _roads(ground: Ground) -> None:
    """Roads as strips; crossings overlap."""
    for name, line in ROADS.items():
        narrow = name in {"Dairy Lane", "Old Quarry Road"}
        half_m, lane_m = (3.0, 2.8) if narrow else (HALF_ROAD_M, 3.6)
        speed_mph, kind = SPEEDS.get(name, (25, "urban low speed"))
        ground.add(
            "road", _strip(line, half_m), name, speed_mph=speed_mph, road_type=kind,
            lanes_each_way=1, lane_width_m=lane_m, shoulder_m=round(half_m - lane_m, 1),
        )  # fmt: skip
    ground.roads = shapely.union_all([row["shape"] for row in ground.rows])


def _water(ground: Ground) -> None:
    """The stream and two ponds, with the wetland beside it closed to everybody."""
    ground.add("water", _strip(STREAM, 3.5), "Willow Beck")
    pond = shapely.buffer(Point(1750, -660), 34, quad_segs=6)
    ground.add("water", pond, "Kettle Pond")
    wetland = [(2585, -588), (2640, -586), (2648, -470), (2600, -455), (2570, -520)]
    ground.add("no_entry", Polygon(wetland), "Willow Beck wetland")
    ground.add(
        "no_entry", Polygon([(2692, 14), (2760, 18), (2748, 120), (2672, 110)]), "wet meadow"
    )
    ground.built = shapely.union_all([row["shape"] for row in ground.rows[-4:]])


def _buried(ground: Ground) -> None:
    """Mains in Ridge Road and the streets, and cables of others."""
    ground.add("buried_water", LineString([(590, 1.2), (1680, 1.2)]), "water main, Ridge Road")
    ground.add("buried_sewer", LineString([(600, -1.4), (1660, -1.4)]), "sewer, Ridge Road")
    ground.add("buried_gas", LineString([(560, -9), (1690, -9)]), "gas main, Ridge Road")
    ground.add("buried_telecom", LineString([(560, 12.6), (765, 12.6)]), "telephone cable")
    ground.add("buried_telecom", LineString([(845, 12.6), (1180, 12.6)]), "telephone cable")
    ground.add("buried_power", LineString([(1300, 12.0), (1330, 12.0)]), "street light cable")
    far = [(1690, -9), (2330, -9), (2360, -12), (3000, -12)]
    ground.add("buried_gas", LineString(far), "gas main to the east", clearance_m=1.5)
    for name in STREETS:
        (x, y0), (_, y1) = ROADS[name]
        low, high = (y0, y1) if name == "Mill Street" else (0.0, y1 * 0.97)
        ground.add("buried_water", LineString([(x + 1, low), (x + 1, high)]), f"water, {name}")
        ground.add("buried_sewer", LineString([(x - 1, low), (x - 1, high)]), f"sewer, {name}")
        gas = [(x - 9.5, -9.0), (x - 9.5, high)]
        ground.add("buried_gas", LineString(gas), f"gas, {name}")
    ground.add("buried_telecom", LineString([(580 + 9, -20), (589, -560)]), "fibre, Creek Road")
    ground.add("buried_telecom", LineString([(1890, 40), (1890, 1500)]), "fibre, Dairy Lane")


def _store(ground: Ground) -> None:
    """The grain store: paved to the road, fenced, with mains below: no place for a rod at P114."""
    x0, y0, x1, y1 = STORE_YARD.bounds
    ground.add("paved", STORE_YARD, "grain store yard")
    edge = [(x0, y0), (x0, y1), (x1, y1), (x1, y0)]
    ground.add("fence", LineString(edge), "grain store fence")
    ground.add("building", box(774, 20, 797, 44), "grain store")
    ground.add("building", box(812, 22, 838, 40), "scale house")
    ground.add("buried_gas", LineString([(801, -9), (801, 60)]), "gas to the grain store")
    ground.add("buried_power", LineString([(809, 9), (809, 30)]), "service to the scale house")
    ground.add("buried_water", LineString([(799, 1.2), (799, 30)]), "water to the grain store")
    ground.add("buried_telecom", LineString([(765, 12.6), (845, 12.6)]), "telephone cable")
    ground.built = shapely.union_all([ground.built, STORE_YARD])


def _school(ground: Ground) -> None:
    """The school with its yard, where people stand."""
    ground.add("public_place", SCHOOL_YARD, "school yard")
    ground.add("building", box(1312, -150, 1362, -128), "Willowbeck school")
    ground.add("fence", LineString(SCHOOL_YARD.exterior.coords), "school fence")
    ground.add("paved", box(1412, -60, 1420, -30), "bus bay")
    ground.built = shapely.union_all([ground.built, SCHOOL_YARD, box(1412, -60, 1420, -30)])


def _walks(ground: Ground) -> None:
    """Sidewalks of Ridge Road on both sides and on the far side of the streets."""
    lines = {
        "sidewalk, Ridge Road north": [(600, 10.2), (1660, 10.2)],
        "sidewalk, Ridge Road south": [(600, -6.2), (1660, -6.2)],
    }
    for name in STREETS:
        (x, y0), (_, y1) = ROADS[name]
        low = y0 if name == "Mill Street" else (12.0 if y1 > 0 else -8.0)
        lines[f"sidewalk, {name}"] = [(x - 6.2, low), (x - 6.2, y1)]
    for name, line in lines.items():
        strip = shapely.difference(_strip(line, 0.75), shapely.union(ground.roads, STORE_YARD))
        for part in shapely.get_parts(strip):
            ground.add("sidewalk", part, name)
    walks = [row["shape"] for row in ground.rows if row["kind"] == "sidewalk"]
    ground.walks = shapely.union_all(walks)


def _houses(ground: Ground, net: Net) -> None:
    """Houses on both sides of the village roads, each with a driveway."""
    fronts = [(n, *line) for n, line in ROADS.items() if n in STREETS or n == "Hill Street"]
    fronts += [("Ridge Road", (600.0, 0.0), (1660.0, 0.0))]
    for name, start, end in fronts:
        (x0, y0), (x1, y1) = start, end
        length_m = ((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5
        u = ((x1 - x0) / length_m, (y1 - y0) / length_m)
        for side in (1, -1):
            at_m = 24.0
            while at_m < length_m - 8:
                _house(
                    ground, name, (x0 + u[0] * at_m, y0 + u[1] * at_m), (u[0] * side, u[1] * side)
                )
                at_m += ground.chance.uniform(23, 33)


def _house(ground: Ground, name: str, foot: tuple[float, float], u: tuple[float, float]) -> None:
    """Draw one house to the left of `u`, seen from its foot on the road's axis, if it fits."""
    chance = ground.chance
    back, wide, deep = chance.uniform(20, 28), chance.uniform(9, 14), chance.uniform(7, 10)
    shift = wide / 2 + 2.2

    def place(along: float, off: float) -> tuple[float, float]:
        return (foot[0] + u[0] * along - u[1] * off, foot[1] + u[1] * along + u[0] * off)

    corners = [
        (-wide / 2, back),
        (wide / 2, back),
        (wide / 2, back + deep),
        (-wide / 2, back + deep),
    ]
    house = Polygon([place(*corner) for corner in corners])
    drive = [(shift - 1.5, HALF_ROAD_M), (shift + 1.5, HALF_ROAD_M), (shift + 1.5, back + 3),
             (shift - 1.5, back + 3)]  # fmt: skip
    way = Polygon([place(*corner) for corner in drive])
    whole = shapely.union(house, way)
    if house.distance(ground.roads) < 8 or house.distance(ground.built) < 5:
        return
    if way.distance(ground.built) < 1 or whole.distance(ground.poles) < 3:
        return
    if house.distance(ground.wires) < 6 or house.distance(ground.walks) < 3:
        return
    ground.add("building", house, f"house, {name}")
    ground.add("driveway", way, f"driveway, {name}")
    ground.built = shapely.union_all([ground.built, house, way])


def _farms(ground: Ground) -> None:
    """Farmsteads: a house, a barn, a fence round the yard."""
    for number, (x, y) in enumerate(FARMS, 1):
        name = f"farm {number}"
        parts = [box(x, y, x + 14, y + 10), box(x + 24, y - 6, x + 48, y + 12)]
        for part, what in zip(parts, ("house", "barn"), strict=True):
            if min(part.distance(ground.wires), part.distance(ground.roads)) > 7:
                ground.add("building", part, f"{what}, {name}")
                ground.built = shapely.union(ground.built, part)
        yard = box(x - 6, y - 14, x + 56, y + 22)
        if yard.distance(ground.poles) > 6 and not yard.intersects(ground.roads):
            ground.add("fence", LineString(yard.exterior.coords), f"yard fence, {name}")


def _open_land(ground: Ground) -> None:
    """The substation, field fences, a rock outcrop and a few gravelled places."""
    ground.add("fence", LineString(box(-78, 30, -18, 74).exterior.coords), "substation fence")
    ground.add("building", box(-70, 56, -60, 66), "substation control house")
    ground.add("no_entry", box(-78, 30, -18, 74), "substation yard")
    for x0, x1 in ((110, 545), (1975, 2320), (2410, 2640), (3020, 3500), (3760, 3960)):
        ground.add("fence", LineString([(x0, 17.5), (x1, 17.5)]), "field fence, Ridge Road")
    for x0, x1 in ((640, 1280), (1400, 1700), (2820, 3400), (3520, 4000)):
        ground.add("fence", LineString([(x0, -589), (x1, -589)]), "field fence, Section Road")
    outcrop = [(3055, -598), (3088, -594), (3102, -560), (3070, -548), (3040, -566)]
    ground.add("rock", Polygon(outcrop), "basalt outcrop")
    ground.add(
        "rock", Polygon([(-1276, 500), (-1262, 505), (-1258, 548), (-1275, 540)]), "old quarry"
    )
    ground.add("paved", box(590, -40, 612, -16), "fire station apron")
    ground.add("paved", box(1640, -30, 1690, -12), "gravel lot")


def _trees(ground: Ground) -> None:
    """Trees in the village and along the stream, off roads, lines and houses."""
    stream = LineString(STREAM)
    spots = [
        (ground.chance.uniform(600, 1660), ground.chance.uniform(-290, 330)) for _ in range(220)
    ]
    for metre in range(60, 2600, 42):
        point = stream.interpolate(metre)
        side = 9.0 if metre % 4 else -8.0
        spots.append((point.x + side, point.y))
    keep = shapely.union_all([ground.roads, ground.walks])
    for x, y in spots:
        point = Point(x, y)
        if min(point.distance(keep), point.distance(ground.built)) < 2.5:
            continue
        if point.distance(ground.wires) > 6 and point.distance(ground.poles) > 8:
            ground.add("tree", point)


def build_soil() -> list[dict[str, Any]]:
    """Three kinds of soil; nobody measured the strip between x = 3,560 m and 3,720 m."""
    loam = [(-1500, -1750), (2080, -1750), (2120, -600), (2060, 0), (2140, 700), (2100, 1750),
            (-1500, 1750)]  # fmt: skip
    sand = [(2080, -1750), (3560, -1750), (3560, 1750), (2100, 1750), (2140, 700), (2060, 0),
            (2120, -600)]  # fmt: skip
    clay = [(3720, -1750), (4800, -1750), (4800, 1750), (3720, 1750)]
    source = "invented"
    return [
        {"soil_id": "loam", "resistivity_ohm_m": 85, "source": source, "shape": Polygon(loam)},
        {"soil_id": "sand", "resistivity_ohm_m": 240, "source": source, "shape": Polygon(sand)},
        {"soil_id": "clay", "resistivity_ohm_m": 38, "source": source, "shape": Polygon(clay)},
    ]
