"""Own line drawings of the characters, as SVG: a sunfish from the side with the part to look at."""

from __future__ import annotations

from markupsafe import Markup

from poolbuilder.pages.drawings import svg

FISH = (
    '<path d="M6 44C14 22 36 12 60 14C80 16 92 30 99 38L116 26Q111 44 116 62L99 50C90 62 74 74 54 74'
    'C32 74 14 60 6 44Z"/><path d="M38 16L44 5L62 4L70 8L84 6Q92 14 88 26"/>'
    '<path d="M60 73L66 82L82 79Q88 70 86 62"/><path d="M40 73L38 84L50 75"/>'
    '<ellipse cx="20" cy="37" rx="4" ry="4"/><path d="M6 44L15 45"/><path d="M34 26Q40 44 32 60"/>'
)
PARTS = {
    "spines": '<path class="part" d="M40 15L44 5M46 14L50 5M52 14L56 4M58 14L62 4"/>',
    "rays": '<path class="part" d="M66 15L70 8M71 16L76 7M76 18L82 7M80 21L87 10"/>',
    "anal spines": '<path class="part" d="M60 73L63 81M63 73L66 82M66 72L69 81"/>',
    "anal rays": '<path class="part" d="M70 71L72 81M75 69L77 80M80 66L82 79"/>',
    "pectoral": '<path class="part" d="M40 46Q54 40 68 45Q54 54 40 50Z"/>',
    "line": '<path class="part" d="M36 32Q62 22 99 43"/>',
    "rakers": '<path class="part" d="M28 30Q40 44 28 58M31 34L25 35M34 40L27 41M34 47L27 47M31 53L25 52"/>',
    "lower rakers": '<path class="part" d="M34 44Q33 52 28 58M34 47L27 47M32 52L26 51M29 57L24 55"/>',
    "cheek": '<path class="part" d="M16 46Q22 44 30 48M15 50Q22 48 30 52M17 54Q23 52 29 56"/>',
    "depth": '<path class="part" d="M56 14V74M52 18L56 14L60 18M52 70L56 74L60 70"/>',
    "flap": '<path class="part fill" d="M36 36Q46 34 47 39Q46 44 36 42Z"/>',
    "mouth": '<path class="part" d="M6 44L15 45M15 45V33"/>',
    "mouth inside": '<path class="part" d="M6 44Q12 49 16 46M9 47L13 47"/>',
    "eye": '<ellipse class="part" cx="20" cy="37" rx="5" ry="5"/>',
    "eye lines": '<path class="part" d="M25 36L33 32M25 38L34 38M24 41L32 45"/>',
    "breast": '<path class="part" d="M18 60Q30 72 44 74"/>',
    "flank": '<path class="part" d="M50 26V60M60 22V64M70 24V62M80 30V56"/>',
    "dorsal blotch": '<ellipse class="part fill" cx="82" cy="20" rx="4" ry="3"/>',
    "anal blotch": '<ellipse class="part fill" cx="80" cy="69" rx="4" ry="3"/>',
    "fin edges": '<path class="part" d="M70 8L84 6Q92 14 88 26M116 26Q111 44 116 62M66 82L82 79"/>',
    "head top": '<path class="part" d="M16 30L20 27M20 33L25 28"/>',
}
SHOWN = {
    "dorsal_spines": "spines", "dorsal_rays": "rays", "anal_spines": "anal spines", "anal_rays": "anal rays",
    "pectoral_rays": "pectoral", "lateral_line_scales": "line", "gill_rakers": "rakers",
    "gill_rakers_lower": "lower rakers", "cheek_scale_rows": "cheek", "pectoral_in_sl": "pectoral",
    "depth_in_sl": "depth", "flap_percent_sl": "flap", "maxilla_reach": "mouth", "supramaxilla": "mouth",
    "pectoral_tip": "pectoral", "pectoral_bent_forward": "pectoral", "gill_raker_shape": "rakers",
    "flap_length": "flap", "flap_edge": "flap", "flap_stiffness": "flap", "flap_angle": "flap",
    "tongue_teeth": "mouth inside", "palatine_teeth": "mouth inside", "pharyngeal_teeth": "mouth inside",
    "blue_upper_lip": "mouth", "eye_lines": "eye lines", "cheek_lines": "cheek", "cheek_line_form": "cheek",
    "dorsal_blotch": "dorsal blotch", "anal_blotch": "anal blotch", "fin_edges": "fin edges",
    "soft_dorsal_pattern": "rays", "flank_marks": "flank", "lateral_line": "line", "head_pores": "head top",
    "iris": "eye", "lateral_streak": "line", "breast_colour": "breast",
}  # fmt: skip


def character(key: str) -> Markup:
    """The fish with the part where a character is seen; the bare fish for one not known."""
    return svg([FISH, PARTS.get(SHOWN.get(key, ""), "")], width=120, height=90, kind="character", title=key)
