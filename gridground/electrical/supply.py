"""What the source and touching conductors add to a network, for all events of an origin at once.

Every event has a layer: three phases of the source, those that are switched off with zeros.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.ladder import EARTH, merged_parts

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from gridground.electrical.energizing import Model, Setting

# Conductors that touch are joined by 10 microohm, a hundredth of the shortest lead.
TOUCH_OHM = 1e-5


@dataclass(frozen=True)
class Connected:
    """The sources of all events between the few nodes at which they stand.

    Attributes
    ----------
    admittance_s : ndarray of complex, shape (d, 3, 3)
        Of the source itself [S].
    emf_v : ndarray of complex, shape (d, 3)
        Behind it [V].
    incidence : ndarray, shape (d, k, 3)
        Where its phases stand.
    added_s : ndarray of complex, shape (d, k, k)
        What source and contacts add between the few [S].
    injected_a : ndarray of complex, shape (d, k)
        The current of the source with the few held at earth potential [A].
    joined : tuple of list of (int, int)
        Numbers of the few that each event connects; `k` is earth.
    """

    admittance_s: NDArray[np.complex128]
    emf_v: NDArray[np.complex128]
    incidence: NDArray[np.float64]
    added_s: NDArray[np.complex128]
    injected_a: NDArray[np.complex128]
    joined: tuple[list[tuple[int, int]], ...]

    def leaving_a(self, voltage_v: NDArray[np.complex128]) -> NDArray[np.float64]:
        """Return what leaves in phases A, B, C and in their sum, shape (d, s, 4) [A].

        Parameters
        ----------
        voltage_v : ndarray of complex, shape (d, s, k)
            Of the few [V].
        """
        over_ohm_v = self.emf_v[:, None] - voltage_v @ self.incidence
        current = over_ohm_v @ self.admittance_s.swapaxes(1, 2)
        all_four = np.concatenate([current, current.sum(axis=2, keepdims=True)], axis=2)
        return np.asarray(np.abs(all_four), float)


@dataclass(frozen=True)
class Supply:
    """The source behind its impedance, phase by phase as each event switches it on.

    Attributes
    ----------
    phases : tuple of str
        Letters of the worked phases that each event energizes.
    grounded : bool
        Whether the neutral point is a node; that of an ungrounded source floats.
    admittance_s, emf_v
        As `Connected`; of an ungrounded source before its neutral point is let float.
    incidence : ndarray, shape (d, t, 3)
        Where its phases stand, among the nodes it can stand at.
    touching_s : ndarray, shape (d, t, t)
        What conductors that touch add between these [S].
    terminals : tuple of tuple of int
        The nodes at which its phases stand in each event.
    touches, joined : tuple of list of (int, int)
        Pairs of nodes that each event connects: by touching, and by touching or the source.
    """

    phases: tuple[str, ...]
    grounded: bool
    admittance_s: NDArray[np.complex128]
    emf_v: NDArray[np.complex128]
    incidence: NDArray[np.float64]
    touching_s: NDArray[np.float64]
    terminals: tuple[tuple[int, ...], ...]
    touches: tuple[list[tuple[int, int]], ...]
    joined: tuple[list[tuple[int, int]], ...]

    @classmethod
    def of(cls, model: Model, setting: Setting, standing: Sequence[int]) -> Supply:
        """Switch the source of a model on for each of its events.

        Parameters
        ----------
        model, setting
            Whose source, and the growth of its fault current.
        standing : sequence of int
            The nodes at which events change the network, earth among them.
        """
        source, drives = model.source, model.drives
        impedance = source.abc_ohm() if source.grounded else source.z1_ohm * np.eye(3)
        number = {node: row for row, node in enumerate(standing)}
        star = number[model.star if source.grounded else EARTH]
        on = np.zeros((len(drives), 3), bool)
        incidence = np.zeros((len(drives), len(number), 3))
        touching = np.zeros((len(drives), len(number), len(number)))
        terminals, touches, joined = [], [], []
        for event, drive in enumerate(drives):
            labels, at = list(drive.labels), [number[node] for node in drive.terminals]
            on[event, labels] = True
            incidence[event, at, labels] = 1.0
            incidence[event, star, labels] -= 1.0
            terminals.append(tuple(at))
            touches.append([(number[a], number[b]) for a, b in drive.touching])
            joined.append([(at[0], row) for row in (*at[1:], star)] + touches[-1])
            for one, other in touches[-1]:
                contact = np.zeros(len(number))
                contact[one] += 1.0
                contact[other] -= 1.0
                touching[event] += np.outer(contact, contact) / TOUCH_OHM
        both = on[:, :, None] & on[:, None, :]
        switched = np.where(both, impedance / setting.growth_ratio, np.eye(3))
        return cls(
            tuple(drive.phases for drive in drives),
            source.grounded,
            np.where(both, np.linalg.inv(switched), 0.0),
            np.where(on, source.emf_v(), 0.0),
            incidence,
            touching,
            tuple(terminals),
            tuple(touches),
            tuple(joined),
        )

    def connected(self, few: NDArray[np.intp], component: NDArray[np.intp]) -> Connected:
        """Put the source where it stands.

        Parameters
        ----------
        few : ndarray of int, shape (t,)
            Number among the few of each node the source can stand at; earth is `k`.
        component : ndarray of int, shape (k + 1,)
            Connected part of each of the few.

        Notes
        -----
        The neutral point of an ungrounded source carries no current where its phases are tied to
        earth by something else; where nothing does, the point stands at earth potential.
        """
        k = len(component) - 1
        number = few.tolist()
        joined = [[(number[a], number[b]) for a, b in pairs] for pairs in self.joined]
        admittance = self.admittance_s
        if not self.grounded:
            admittance = self._floating(few, component)
        fold = np.zeros((k + 1, len(few)))
        fold[few, np.arange(len(few))] = 1.0
        incidence = fold @ self.incidence
        into = incidence @ admittance
        added = into @ incidence.swapaxes(1, 2) + fold @ self.touching_s @ fold.T
        return Connected(
            admittance,
            self.emf_v,
            incidence[:, :k],
            added[:, :k, :k],
            (into @ self.emf_v[:, :, None])[:, :k, 0],
            tuple(joined),
        )

    def _floating(
        self, few: NDArray[np.intp], component: NDArray[np.intp]
    ) -> NDArray[np.complex128]:
        """Return the source's admittances, its neutral point let float where it can [S]."""
        number, admittance = few.tolist(), self.admittance_s.copy()
        for event, (at, touches) in enumerate(zip(self.terminals, self.touches, strict=True)):
            part = merged_parts(component, [(number[a], number[b]) for a, b in touches])
            if int(part[-1]) in part[few[list(at)]]:
                total = admittance[event].sum(axis=1)
                admittance[event] -= np.outer(total, total) / total.sum()
        return admittance
