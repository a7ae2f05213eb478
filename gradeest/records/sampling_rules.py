"""What lets in how an assayed sample came about: its mass and size, powder and oversize, or a plated area."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gradeest.errors import InputError
from gradeest.materials.plating import LEAST_UM, MOST_UM, THICK_UM, meant_um, mg_per_cm2
from gradeest.materials.sampling_error import counted, relative_sd, sample_mass_g, scrap_constant
from gradeest.records.findings import Findings, is_number
from gradeest.records.references import Context
from gradeest.units import parse_grade, parse_mass

UM_PER_CM = 1e4
FEW = 20  # carriers in a sample: fewer, and its error is lopsided (USGS Prof. Paper 625-C: +-50 % in 95 of 100)
AIM = 0.05  # relative sd for which the mass is told
Part = tuple[float, float]  # of a ground sample: g, g/t


def read_part(text: str) -> Part:
    """Mass (g) and grade (g/t) of a part of a ground sample, typed as "930 g 250 g/t"."""
    words = text.split()
    for cut in range(1, len(words)):
        try:
            return parse_mass(" ".join(words[:cut])), parse_grade(" ".join(words[cut:]))
        except InputError:
            continue
    raise InputError(f"{text!r} is no mass with a grade", 'such as "930 g 250 g/t"')


def check_sampling(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """Add what speaks against a sample's mass and size, or a plated area; otherwise say what they mean."""
    if payload.get("method") == "plating":
        _check_plating(payload, context, found)
    elif payload.get("sample_g") is not None or payload.get("top_um") is not None:
        _check_sample(payload, context, found)
    for part in payload.get("parts") or ():
        for name, what in (("mass_g", "a mass"), ("value_g_per_t", "a grade")):
            if not is_number(part.get(name)) or part[name] <= 0:
                found.error(str(part.get("name")), f"{part.get(name)} cannot be {what}", 'such as "930 g 250 g/t"')


def _check_sample(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    sample, top, lab = payload.get("sample_g"), payload.get("top_um"), payload.get("u_lab")
    if not is_number(sample) or sample <= 0:
        what = "its mass is missing" if sample is None else f"{sample} cannot be the mass of a sample"
        found.error("sample", what, "what was taken of the ground material, e.g. 5 g")
        return
    if not is_number(top) or not 1 <= top <= 5e4:
        what = "the size of the largest pieces is missing"
        what = what if top is None else f"{top} um cannot be the size of the largest pieces"
        found.error("top-size", what, "e.g. 0.2 mm, the sieve it passed")
        return
    fraction_g = 1000 * context.bench.fraction(payload["address"]).mass_kg
    if sample > fraction_g * 1.02:
        found.error("sample", f"{sample:g} g are more than there is ({fraction_g:g} g)", "check the unit")
        return
    constant = scrap_constant(payload["metal"], payload["value_g_per_t"], context.catalogue.constants)
    sd = relative_sd(constant, top / UM_PER_CM, sample, fraction_g)
    enough = sample_mass_g(constant, top / UM_PER_CM, AIM, fraction_g)
    laboratory = f", the laboratory's {100 * lab:.2g} %" if lab else ""
    found.warn(
        "u",
        f"of pieces up to {top:g} um a sample of {sample:g} g is off by {100 * sd:.2g} % (1 sd) by chance alone"
        f"{laboratory}: together {100 * payload['u_rel']:.2g} %. For {100 * AIM:g} % by chance take {enough:.2g} g, or "
        "grind finer: half the size is an eighth of the mass",
    )
    if counted(sd) < FEW:
        found.warn("u", f"that is like counting {counted(sd):.2g} bits of metal: one more or less shows; take more")


def small_hint(thickness_um: float) -> str:
    """What may have been meant by a plate thinner than any."""
    return f"{thickness_um:g} um are {thickness_um / meant_um(1):.2g} uin; {1000 * thickness_um:g} um if mm were meant"


def _check_plating(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    thickness, area, mass = payload.get("thickness_um"), payload.get("area_cm2"), payload.get("plated_g")
    for name, value in (("area", area), ("mass", mass)):
        if not is_number(value) or value <= 0:
            found.error(name, f"{value} cannot be {'an area' if name == 'area' else 'a mass'}", "above zero")
    if not is_number(thickness):
        found.error("thickness", f"{thickness} cannot be a thickness", 'such as "0.76 um" or "30 uin"')
        return
    meant = f"micro-inches? {thickness:g} uin are {meant_um(thickness):.3g} um"
    if not LEAST_UM <= thickness <= MOST_UM:
        question = meant if thickness > MOST_UM else small_hint(thickness)
        found.error("thickness", f"{thickness:g} um is no plate ({LEAST_UM:g} to {MOST_UM:g} um)", question)
    elif thickness > THICK_UM:
        found.ask("thickness", f"{thickness:g} um is thicker than connectors are plated (up to {THICK_UM:g} um)", meant)
    else:
        density = context.catalogue.constants[f"plating.density.{payload['metal']}"]
        found.warn(
            "thickness",
            f"{mg_per_cm2(thickness, density):.3g} mg of {payload['metal']} per cm2, on {area:g} cm2 of {mass:g} g: "
            f"{payload['value_g_per_t']:.4g} g/t, to {100 * payload['u_rel']:.2g} %",
        )
