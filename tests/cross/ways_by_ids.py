"""What stands between a worksite and every source, worked out from ids alone with networkx.

Nothing of the program's graph is used: rows of the data in, questions about a plan answered. A node
is a pole of one circuit; a span joins two of them whatever its devices do; a device or a link that
ends where its own circuit has nothing else joins what else hangs there.
"""

from __future__ import annotations

import networkx as nx

INNER_SOURCES = {"transformer", "generator", "service", "riser"}


def values(layer):
    """Return the rows of a layer as dicts."""
    if layer is None:
        return []
    return [
        {name: column[row] for name, column in layer.columns.items()} for row in range(len(layer))
    ]


class Wiring:
    """The conductors of a territory as a graph of ids."""

    def __init__(self, territory):
        self.spans = {str(row["span_id"]): row for row in values(territory.spans)}
        self.devices = values(territory.layer("devices"))
        self.equipment = values(territory.layer("equipment"))
        self.source = {
            str(row["circuit_id"]): (str(row["source_pole"]), str(row["circuit_id"]))
            for row in values(territory.circuits)
        }
        self.graph = nx.MultiGraph()
        self.graph.add_nodes_from(self.source.values())
        for name in self.spans:
            one, other = self.ends(name)
            self.graph.add_edge(one, other, key=name)
        for pole, circuit, span in self._loose_ends():
            here = (pole, circuit)
            others = [n for n in self.graph if n[0] == pole and n[1] != circuit]
            if len(others) == 1:
                self.graph.add_edge(here, others[0], key=f"tie of {span}")

    def ends(self, span):
        """Return the two nodes of a span."""
        row = self.spans[span]
        circuit = str(row["circuit_id"])
        return (str(row["from_pole"]), circuit), (str(row["to_pole"]), circuit)

    def _loose_ends(self):
        """Yield (pole, circuit, span) where a device or link has nothing of its own to join."""
        found = {(str(d["pole_id"]), str(d["span_id"])) for d in self.devices}
        for name, row in self.spans.items():
            if row["kind"] == "link":
                found |= {(str(row["from_pole"]), name), (str(row["to_pole"]), name)}
        for pole, span in sorted(found):
            circuit = str(self.spans[span]["circuit_id"])
            here = (pole, circuit)
            if self.graph.degree(here) == 1 and here not in self.source.values():
                yield pole, circuit, span

    def at(self, pole):
        """Return the spans that end at a pole."""
        return {
            name
            for name, row in self.spans.items()
            if pole in {str(row["from_pole"]), str(row["to_pole"])}
        }

    def open_ways(self, plan):
        """Return what reaches a worksite past every bracket, by way of no cable that is named.

        Parameters
        ----------
        plan : Plan
            With brackets.

        Returns
        -------
        list of (source, pole)
            A circuit's source or a piece of equipment beyond the brackets, and the worksite pole
            that it reaches.
        """
        job = plan["job"]
        worked = set(job["circuit_ids"])
        brackets = {r["pole_id"] for r in plan["locations"] if r["role"] == "bracket"}
        graph = self.graph.copy()
        graph.remove_nodes_from([n for n in self.graph if n[0] in brackets and n[1] in worked])
        named = {d["span_id"] for d in plan["directions"] if d["towards"] == "cable"}
        named |= {
            i
            for item in plan["open_items"]
            if item["code"] == "cable_far_end"
            for i in item["where"]
        }
        graph.remove_edges_from(
            [(a, b, key) for a, b, key in graph.edges(keys=True)
             if key in named and self.spans[key]["kind"] == "cable"]
        )  # fmt: skip
        if job["worksite_span"]:
            ends = self.ends(job["worksite_span"])
            return [("span", n) for n in ends if n in graph]
        work = {(p, c) for p in job["worksite_poles"] for c in worked} & set(graph)
        found = []
        inside = set().union(*(nx.node_connected_component(graph, node) for node in work))
        isolated = set(job["isolated_equipment"])
        between = " ".join(
            " ".join(o["reasons"]) for o in plan["options"] if o["method"] == plan["method"]
        )
        # a source that stands between the brackets is named there: the whole set at the worksite
        found += [
            (name, node)
            for name, node in self.source.items()
            if node in inside and f": {name}" not in between
        ]
        for row in self.equipment:
            node = (str(row["pole_id"]), str(row["circuit_id"]))
            name = str(row["equipment_id"])
            stated = name in isolated or name in between
            if row["kind"] in INNER_SOURCES and node in inside and not stated:
                found.append((name, node))
        return found
