"""What the source and touching conductors add to a network, for all events of an origin at once.

Every event has a layer: three phases of the source, those that are switched off with zeros.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.ladder import EARTH, merged_parts

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from gridground.electrical.drives import Drive
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
    drives : tuple of Drive
        The events.
    star : int or None
        Node of the neutral point; None for an ungrounded source.
    admittance_s, emf_v
        As `Connected`; of an ungrounded source before its neutral point is let float.
    """

    drives: tuple[Drive, ...]
    star: int | None
    admittance_s: NDArray[np.complex128]
    emf_v: NDArray[np.complex128]

    @classmethod
    def of(cls, model: Model, setting: Setting) -> Supply:
        """Switch the source of a model on for each of its events."""
        source, drives = model.source, model.drives
        impedance = source.abc_ohm() if source.grounded else source.z1_ohm * np.eye(3)
        on = np.zeros((len(drives), 3), bool)
        for number, drive in enumerate(drives):
            on[number, list(drive.labels)] = True
        both = on[:, :, None] & on[:, None, :]
        switched = np.where(both, impedance / setting.growth_ratio, np.eye(3))
        admittance = np.where(both, np.linalg.inv(switched), 0.0)
        emf = np.where(on, source.emf_v(), 0.0)
        return cls(drives, model.star if source.grounded else None, admittance, emf)

    @property
    def phases(self) -> tuple[str, ...]:
        """Letters of the worked phases that each event energizes."""
        return tuple(drive.phases for drive in self.drives)

    def connected(self, number_of: Mapping[int, int], component: NDArray[np.intp]) -> Connected:
        """Put the source where it stands.

        Parameters
        ----------
        number_of : mapping
            Node -> number of it among the few; earth is `k`.
        component : ndarray of int, shape (k + 1,)
            Connected part of each of the few.

        Notes
        -----
        The neutral point of an ungrounded source carries no current where its phases are tied to
        earth by something else; where nothing does, the point stands at earth potential.
        """
        n, k = len(self.drives), number_of[EARTH]
        admittance = self.admittance_s.copy()
        incidence = np.zeros((n, k + 1, 3))
        touching = np.zeros((n, k + 1, k + 1))
        joined = []
        star = k if self.star is None else number_of[self.star]
        for event, drive in enumerate(self.drives):
            at = [number_of[node] for node in drive.terminals]
            touches = [(number_of[a], number_of[b]) for a, b in drive.touching]
            tied_to = [star]
            if self.star is None:
                part = merged_parts(component, touches)
                if int(part[-1]) in {int(part[row]) for row in at}:  # the neutral point floats
                    tied_to = []
                    total = admittance[event].sum(axis=1)
                    admittance[event] -= np.outer(total, total) / total.sum()
            joined.append([(at[0], row) for row in (*at[1:], *tied_to)] + touches)
            incidence[event, at, drive.labels] = 1.0
            incidence[event, star, list(drive.labels)] -= 1.0
            for one, other in touches:
                contact = np.zeros(k + 1)
                contact[one] += 1.0
                contact[other] -= 1.0
                touching[event] += np.outer(contact, contact) / TOUCH_OHM
        into = incidence @ admittance
        return Connected(
            admittance,
            self.emf_v,
            incidence[:, :k],
            (into @ incidence.swapaxes(1, 2) + touching)[:, :k, :k],
            (into @ self.emf_v[:, :, None])[:, :k, 0],
            tuple(joined),
        )
