"""What is shipped holds to the same checks as what a studio writes."""

from __future__ import annotations

import pickle
import re
from dataclasses import replace
from pathlib import Path

import pytest

from vocheck.errors import TargetError
from vocheck.policy.config import SECTIONS
from vocheck.policy.costs import COMP, RANKING, load_ranking
from vocheck.policy.every import Policy, load_policy
from vocheck.policy.limits import LIMITS, RULE_FILES, RuleFile
from vocheck.policy.mixing import MIX
from vocheck.policy.obstacles import OBSTACLES
from vocheck.policy.rows import Section
from vocheck.policy.rule import STATUSES, Rule
from vocheck.policy.tolerances import (
    CHARACTER,
    COMPARE,
    DRIFT,
    EDIT,
    HEADROOM,
    MATCH,
    PACE,
    POSITIONS,
    SLOTS,
)

ROW_SECTIONS = (
    RANKING,
    COMP,
    MATCH,
    DRIFT,
    HEADROOM,
    POSITIONS,
    COMPARE,
    PACE,
    EDIT,
    SLOTS,
    MIX,
    OBSTACLES,
    CHARACTER,
)
RULES = [(file, rule) for file in RULE_FILES for rule in file.load().values()]


@pytest.mark.parametrize(("file", "rule"), RULES, ids=[rule.name for _, rule in RULES])
def test_every_shipped_rule_resolves(file: RuleFile, rule: Rule):
    """Its facts exist in the types that it judges, and its texts can be filled from them."""
    file.check(rule, file.load(), file.file)


@pytest.mark.parametrize(("file", "rule"), RULES, ids=[rule.name for _, rule in RULES])
def test_a_letter_changed_in_a_fact_is_noticed(file: RuleFile, rule: Rule):
    """The check can fail: whichever part of the name is misspelt, the name stands in the line."""
    for part in re.findall(r"\w+", rule.fact):
        changed = rule.fact.replace(part, f"{part}x", 1)
        with pytest.raises(TargetError, match=re.escape(changed)):
            file.check(replace(rule, fact=changed), file.load(), file.file)


@pytest.mark.parametrize(
    ("file", "rule"),
    [pair for pair in RULES if "{" in "".join(pair[1].texts.values())],
    ids=lambda value: value.name if isinstance(value, Rule) else "",
)
def test_a_letter_changed_in_a_field_of_a_text_is_noticed(file: RuleFile, rule: Rule):
    """Every field of every sentence is looked up, those of two words included."""
    for name, text in rule.texts.items():
        for field in re.findall(r"\{([\w.]+)", text):
            changed = text.replace("{" + field, "{" + field + "x", 1)
            texts = {**rule.texts, name: changed}
            with pytest.raises(TargetError, match=f"{name}: "):
                file.check(replace(rule, texts=texts), file.load(), file.file)


@pytest.mark.parametrize("section", ROW_SECTIONS, ids=lambda section: section.name)
def test_every_shipped_row_is_whole(section: Section):
    """Numbers fit, texts can be filled, and each has a source and a status."""
    section.check_shipped()
    for row in section.load().values():
        assert row.source
        assert row.status in STATUSES


def test_the_limit_of_noise_reduction_stands_once():
    """The ranking takes it from the limit; a studio's limit moves both."""
    by_name = {row.name: row for row in load_ranking().criteria}
    limit = {t.severity: t.value for t in LIMITS.load()["noise_reduction"].thresholds}["note"]
    assert by_name["noise_reduction"].free == limit


OVERRIDES = {
    "limits": ("[limits.noise_floor]\nfixable = -58.5\n", -58.5),
    "words": ("[words.missing]\nfixable = 9.25\n", 9.25),
    "room": ("[room.room_live]\nnote = 0.275\n", 0.275),
    "compare": ("[compare.booth]\nhigh_s = 0.225\n", 0.225),
    "character": ("[character.dry]\nup_to_s = 0.2125\n", 0.2125),
    "positions": ("[positions.noise]\nbeyond = 2.125\n", 2.125),
    "match": ("[match.noise]\nwithin = 4.125\n", 4.125),
    "drift": ("[drift.level]\nbeyond = 4.125\n", 4.125),
    "headroom": ("[headroom.test_read]\nrise_db = 4.125\n", 4.125),
    "ranking": ("[ranking]\nundecided = 1.125\n[ranking.hum]\nweight = 0.5125\n", 0.5125),
    "comp": ("[comp.cut]\npoints = 0.8125\n", 0.8125),
    "pace": ("[pace.usual]\nwords_per_minute = 151.5\n", 151.5),
    "edit": ("[edit.tail]\nseconds = 0.5125\n", 0.5125),
    "slots": ("[slots.over_cut]\nfixable = 0.5125\n", 0.5125),
    "mix": ("[mix.same_level]\nwithin_lu = 0.8125\n", 0.8125),
    "obstacles": ("[obstacles.peak]\nmost = 6.125\n", 6.125),
    "destinations": (
        "[destinations.social.rules.integrated_lufs]\ntarget = -16.125\n", -16.125
    ),
}  # fmt: skip


@pytest.mark.parametrize("section", SECTIONS)
def test_a_studio_can_override_a_number_of_every_section(tmp_path: Path, section: str):
    """The number is in the policy, its source is the studio's file, and it survives pickling."""
    text, number = OVERRIDES[section]
    file = tmp_path / "vocheck.toml"
    file.write_text(text, encoding="utf-8")
    policy = load_policy(file)
    told = repr(getattr(pickle.loads(pickle.dumps(policy)), section))
    assert str(number) in told
    assert str(file) in told
    assert str(number) not in repr(getattr(Policy(), section))


def test_the_page_on_settings_is_read_as_it_stands_and_lists_every_table(tmp_path: Path):
    """Its example is a file that loads, and no table of settings is left out."""
    page = (Path(__file__).parents[2] / "docs" / "settings.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"```toml\n(.*?)```", page, re.DOTALL)
    file = tmp_path / "vocheck.toml"
    file.write_text(example, encoding="utf-8")
    policy = load_policy(file)
    assert policy.ranking.scale.undecided == 1.0
    assert policy.words["words_missing"].points == 8.0
    for section in (*SECTIONS, "session"):
        assert re.search(rf"\| `\[{section}[\].]", page), section
