"""Which short safety texts belong beside each step at the bench?

Every text is general. None replaces the safety data sheet, the local code or a licensed person, and
each step's block says so. The pages and the API print these texts and write no others.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from config.refusals import refuse

if TYPE_CHECKING:
    from collections.abc import Mapping

DEFERRAL: Final = (
    "This is a reminder, not an instruction: follow the safety data sheet of every substance, "
    "your local codes and permits, and work that needs a licence is for those who hold it."
)


@dataclass(frozen=True)
class Caution:
    """One hazard and the short text shown for it. `code` is stable."""

    code: str
    text: str


@dataclass(frozen=True)
class StepCautions:
    """What to show beside one step; `deferral` always ends the block."""

    step: str
    cautions: tuple[Caution, ...]
    deferral: str = DEFERRAL

    @property
    def lines(self) -> tuple[str, ...]:
        """The texts in the order shown, the deferral last."""
        return (*(caution.text for caution in self.cautions), self.deferral)


_ALL: Final = (
    Caution(
        "nitric_acid",
        "Nitric acid burns skin, eyes and lungs and sets fire to organic matter. Goggles, face "
        "shield, gloves and apron rated for it; acid into water, never water into acid; keep it "
        "from solvents, alcohol, paper, wood and rags.",
    ),
    Caution(
        "oxides_of_nitrogen",
        "Dissolving metal in nitric acid gives off oxides of nitrogen. They are poisonous and can "
        "injure the lungs hours after the breathing seemed harmless: work only under working "
        "extraction, add metal or acid slowly, and see a doctor after any exposure.",
    ),
    Caution(
        "silver_nitrate",
        "Silver nitrate burns eyes and skin, stains, and feeds fire. Keep it from eyes, organic "
        "matter, alcohol and reducing agents, and do not let spills or splashes dry on rags, wood "
        "or paper.",
    ),
    Caution(
        "ammonia_on_silver",
        "Never put ammonia on a silver solution or silver compound and leave it to stand: deposits "
        "form that explode at a touch. Ammonia has no place near the cell or its residues.",
    ),
    Caution(
        "alcohol_on_silver",
        "Never bring alcohol to silver nitrate with nitric acid: an explosive silver compound can "
        "form.",
    ),
    Caution(
        "chlorides",
        "Keep chlorides (hydrochloric acid, salt, tap water, bleach) away from the cell and from "
        "nitric acid. They drop silver as chloride, and with nitric acid they give poisonous gas "
        "and a mixture that dissolves gold. Test a drop on a separate sample and discard it.",
    ),
    Caution(
        "hot_metal",
        "Molten metal and hot crucibles burn and spit. Dry and preheat moulds, tools and feed: "
        "trapped water or acid turns to steam and throws metal. Face shield, heat gloves, clear "
        "floor, no sealed or hollow pieces in the melt.",
    ),
    Caution(
        "metal_fume",
        "Scrap may hold cadmium, lead, zinc, beryllium or mercury, and their fume and dust are "
        "poisonous. Ask what the feed is, refuse what you cannot identify, melt and grind only "
        "under extraction.",
    ),
    Caution(
        "hot_vessels",
        "Hot glass and dishes look like cold ones and crack when cooled fast. Use tongs and heat "
        "gloves, set them on a dry heat-proof mat, and let them cool before rinsing or weighing.",
    ),
    Caution(
        "acid_vapour_drying",
        "Damp crystal gives off acid vapour and may spit as it dries. Rinse it clean first and "
        "dry it gently under extraction, never in an oven used for food.",
    ),
    Caution(
        "electrical",
        "The cell is wet, acid and carries many amperes. Switch off and isolate the supply before "
        "touching bars, clips or basket; keep a fuse of the right size in line; a short melts "
        "leads. Mains wiring is work for a qualified electrician.",
    ),
    Caution(
        "cell_acid",
        "Electrolyte is acid and holds silver and copper nitrate. Goggles and gloves at the cell, "
        "a tray under it that holds the whole volume, extraction on, eyewash within reach.",
    ),
    Caution(
        "copper_cementation",
        "Copper in acid silver solution warms it and can give off oxides of nitrogen while free "
        "acid lasts. Add it slowly under extraction, in a vessel with room to foam, never closed.",
    ),
    Caution(
        "slimes_dust",
        "Slimes may hold palladium, platinum, lead or selenium with acid and nitrates. Keep them "
        "wet, wear gloves, raise no dust, and never heat them with organic matter.",
    ),
    Caution(
        "noble_recovery",
        "Dissolving gold and platinum metals means acids that give off chlorine and oxides of "
        "nitrogen, and platinum salts that can cause lasting allergy. Keep silver residues and "
        "ammonia apart, and leave this step to a licensed refiner if you are not one.",
    ),
    Caution(
        "assay_reagents",
        "Assay uses strong acids, hot furnaces and, in cupellation, lead that leaves as poisonous "
        "fume. Follow the written method under extraction and collect the residues.",
    ),
    Caution(
        "sharp_and_heavy",
        "Scrap cuts and metal is heavier than it looks: cut-resistant gloves, eye protection "
        "while drilling or cutting, and lift bars and drums with help.",
    ),
    Caution(
        "unknown_feed",
        "Containers may hold acid, cyanide, mercury, live batteries or sharp scrap. Open them "
        "under extraction with gloves and goggles; set aside whatever is wet, sealed or unnamed. "
        "Cyanide and acid together give a deadly gas.",
    ),
    Caution(
        "waste",
        "Spent solution still holds copper, nitrate and acid and kills water life: never down the "
        "drain or on the ground. Neutralise slowly with room to foam, keep rags and filters with "
        "nitrates wet and apart, label, and hand over to a licensed waste carrier.",
    ),
    Caution(
        "dangerous_goods",
        "Acids, nitrates and their solutions are dangerous goods on the road, by post and by air. "
        "Ship them only as the transport rules and the carrier allow, with the right papers.",
    ),
)
CAUTIONS: Final[Mapping[str, Caution]] = MappingProxyType({item.code: item for item in _ALL})

_STEP_CODES: Final[dict[str, tuple[str, ...]]] = {
    "receive": ("unknown_feed", "sharp_and_heavy"),
    "melt": ("hot_metal", "metal_fume", "hot_vessels"),
    "sample": ("sharp_and_heavy", "metal_fume"),
    "assay": ("assay_reagents", "nitric_acid", "ammonia_on_silver"),
    "parting": (
        "nitric_acid",
        "oxides_of_nitrogen",
        "hot_vessels",
        "chlorides",
        "ammonia_on_silver",
    ),
    "dissolution": (
        "nitric_acid",
        "oxides_of_nitrogen",
        "silver_nitrate",
        "hot_vessels",
        "alcohol_on_silver",
        "ammonia_on_silver",
    ),
    "charge": ("electrical", "cell_acid", "sharp_and_heavy"),
    "run": ("electrical", "cell_acid", "chlorides"),
    "top_up": ("electrical", "nitric_acid", "chlorides"),
    "make_up": (
        "nitric_acid",
        "oxides_of_nitrogen",
        "silver_nitrate",
        "hot_vessels",
        "chlorides",
        "alcohol_on_silver",
        "ammonia_on_silver",
    ),
    "stop": ("electrical", "cell_acid"),
    "harvest": ("electrical", "cell_acid", "chlorides", "ammonia_on_silver"),
    "rinse": ("silver_nitrate", "chlorides", "ammonia_on_silver", "waste"),
    "dry": ("hot_vessels", "acid_vapour_drying"),
    "slimes": ("slimes_dust", "cell_acid", "ammonia_on_silver"),
    "bleed": ("cell_acid", "silver_nitrate", "ammonia_on_silver", "waste"),
    "cementation": (
        "copper_cementation",
        "oxides_of_nitrogen",
        "silver_nitrate",
        "ammonia_on_silver",
        "waste",
    ),
    "recovery": (
        "slimes_dust",
        "noble_recovery",
        "nitric_acid",
        "oxides_of_nitrogen",
        "chlorides",
        "ammonia_on_silver",
        "waste",
    ),
    "fine_melt": ("hot_metal", "acid_vapour_drying", "hot_vessels"),
    "ship": ("sharp_and_heavy", "dangerous_goods"),
    "waste": ("waste", "nitric_acid", "ammonia_on_silver", "chlorides"),
}
STEPS: Final[Mapping[str, StepCautions]] = MappingProxyType(
    {
        step: StepCautions(step=step, cautions=tuple(CAUTIONS[code] for code in codes))
        for step, codes in _STEP_CODES.items()
    }
)


def cautions_for(step: str) -> StepCautions:
    """The cautions shown beside `step`, the deferral last in `lines`.

    Raises UnknownError `unknown_step`. Source: common practice, no source; the binding text is the
    safety data sheet.
    """
    try:
        return STEPS[step]
    except KeyError:
        raise refuse(
            "unknown_step", field="step", value=step, steps=", ".join(sorted(STEPS))
        ) from None
