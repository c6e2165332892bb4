import ast
from pathlib import Path

import pytest

from registry.dictionary import TABLES
from registry.dictionary.anatomy import impossible, impossible_joint
from registry.dictionary.injury import EXTENTS, STRUCTURES
from synthetic_data import true_parameters
from synthetic_data.injuries import lesions_of

PACKAGE = Path(__file__).parents[2] / "synthetic_data"
TRUTH = true_parameters()
CASES = TABLES["cases"]


@pytest.mark.parametrize("module", sorted(PACKAGE.glob("*.py")), ids=lambda path: path.stem)
def test_the_truth_shares_nothing_with_what_has_to_find_it(module: Path) -> None:
    tree = ast.parse(module.read_text(encoding="utf-8"))
    imported = {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    imported |= {name.name for node in ast.walk(tree) if isinstance(node, ast.Import) for name in node.names}
    ours = {name for name in imported if name.split(".")[0] in ("registry", "analysis", "reports", "annulary")}
    assert ours <= {"registry.dictionary", "registry.errors"}


def test_every_severity_has_a_course_structures_and_a_way_to_care() -> None:
    severities = {word for shares in TRUTH.severity.values() for word in shares}
    assert severities == set(TRUTH.recovery) == set(TRUTH.structures) == set(TRUTH.seeks_care)
    diagnoses = {word for shares in TRUTH.diagnosis.values() for word in shares}
    assert diagnoses == set(TRUTH.severity) == set(TRUTH.digits)


def test_every_word_is_a_code_of_the_dictionary() -> None:
    assert set(TRUTH.grips.share) <= set(CASES["grip"].words)
    assert set(TRUTH.moves.share) | set(TRUTH.blows) <= set(CASES["mechanism"].words)
    assert set(TRUTH.activities.share) <= set(CASES["activity"].words)
    assert set(TRUTH.onset_mode) <= set(CASES["onset_mode"].words)
    assert {digit for shares in TRUTH.digits.values() for digit in shares} <= set(CASES["digit"].words)
    for style in TRUTH.styles.values():
        for discipline, setting, context in (name.split("/") for name in style):
            assert discipline in CASES["discipline"].words
            assert setting in CASES["setting"].words
            assert context in CASES["context"].words
            assert f"{setting}/{context}" in TRUTH.hazard.per_1000_h


@pytest.mark.parametrize("digit", ["thumb", "index", "middle", "ring", "little"])
def test_every_finger_can_have_what_it_is_said_to_have(digit: str) -> None:
    for diagnosis, digits in TRUTH.digits.items():
        if digit not in digits:
            continue
        for severity in TRUTH.severity[diagnosis]:
            own = TRUTH.thumb if digit == "thumb" and severity in TRUTH.thumb else TRUTH.structures
            for cell in own[severity]:
                lesions = lesions_of(cell)
                assert len(lesions) == cell.count(":")
                for lesion in lesions:
                    assert lesion.structure in STRUCTURES
                    assert lesion.extent in EXTENTS
                    assert not impossible(digit, lesion.structure)
                    assert not impossible_joint(digit, lesion.joint)


def test_probabilities_are_probabilities() -> None:
    for recovery in TRUTH.recovery.values():
        for name in ("modified", "never_stopped", "gives_up", "never_level", "surgery", "pop"):
            assert 0 <= getattr(recovery, name) <= 1
    shares = [*TRUTH.digits.values(), *TRUTH.diagnosis.values(), *TRUTH.severity.values(), TRUTH.grips.share]
    assert all(share > 0 for table in shares for share in table.values())


def test_the_parts_of_published_contrast_are_in_the_truth() -> None:
    """Pulleys: ring finger; capsulitis and growth plate: middle finger, PIP joint.

    Sources: Diagnostics 2020;10:206 (introduction, no counts); capsulitis: Schöffl et al. 2025,
    DOI 10.3389/fspor.2025.1497110; growth plate: Bärtschi, Scheibler, Schweizer 2019 (authors from memory).
    """
    most = {diagnosis: max(digits, key=lambda digit: digits[digit]) for diagnosis, digits in TRUTH.digits.items()}
    assert (most["pulley"], most["capsulitis"], most["growth_plate"]) == ("ring", "middle", "middle")
    for severity in ("capsulitis", "growth_plate"):
        usual = max(TRUTH.structures[severity], key=lambda cell: TRUTH.structures[severity][cell])
        assert lesions_of(usual)[0].joint == "pip"


def test_site_names_and_codes_belong_together() -> None:
    """Each name begins with the invented word that is the site's code: no other proper noun stands in it."""
    assert len({site.prefix for site in TRUTH.sites}) == len(TRUTH.sites)
    for site in TRUTH.sites:
        assert site.name.lower().split()[0] == site.code
        assert site.prefix not in ("SQ", "ZZ")
