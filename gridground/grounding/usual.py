"""What every plan says: when to stop and plan again, and the usual cautions."""

from __future__ import annotations

TRIGGERS = (
    "The pole number on the pole is not the one on the plan.",
    "The detector shows anything at all.",
    "A source, tap, riser, generator or crossing is seen that is not on the map.",
    "The neutral is broken or missing.",
    "A rod will not go down to its full depth.",
    "Locate marks lie within a zone or at a rod place, or there are none.",
    "A lead is too short, or a clamp does not fit.",
    "Another crew works under the same clearance and was not planned for.",
    "Weather: lightning, wind or rain beyond the employer's limits.",
    "The worksite moves.",
)

CAUTIONS = (
    (
        "Planning aid. The employer's rules, the clearance holder and the person in charge decide "
        "at the pole.",
        "our judgement",
    ),
    (
        "The line is energized until it is isolated, tagged, tested and grounded.",
        "29 CFR 1910.269(m) and (n)",
    ),
    (
        "Brackets alone are not an equipotential zone: the personal ground or the whole set at the "
        "worksite bonds what the worker can reach.",
        "29 CFR 1910.269(n)(3)",
    ),
    (
        "A ground rod alone seldom trips anything; the neutral carries most of the fault current.",
        "our arithmetic from rod resistance and voltage",
    ),
    (
        "On a wood pole the zone is above the cluster bar; a person on the ground is outside it.",
        "common practice, no source",
    ),
    (
        "Leads as short as they reach, no coils, tied against whip, nobody beside them.",
        "MIL-HDBK-1025/10 clause 5.3.4.2",
    ),
    (
        "Voltages and currents are estimates under the assumptions named here; a voltage below a "
        "limit does not exclude injury.",
        "our judgement",
    ),
    ("State plans and other countries' rules differ.", "our judgement"),
    (
        "Have reclosing blocked and tagged for the job: every repeated shot heats the leads again "
        "and repeats what the worker sees.",
        "our judgement",
    ),
    (
        "Solved are the ways in named in the table of voltages; equipment whose fault current is "
        "not stated is kept away by isolation, not by figures.",
        "our judgement",
    ),
)
