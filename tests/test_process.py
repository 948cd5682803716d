"""Process profiles: what ships, what a file of one's own may say, and what is refused."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from soffit.errors import ProcessError
from soffit.process.limits import (
    LIMITS,
    TIGHTENED,
    distribution_of,
    tightened,
    value_of,
    z_of,
)
from soffit.process.load import PROFILES, available, load_process
from soffit.process.model import Grade, Material, Value

# Bridge limits by material, mm: from memory, low worth.
BRIDGES = {"pla-04": 15, "petg-04": 10, "abs-04": 8, "asa-04": 8, "pa12-04": 8, "tpu-04": 5}


def test_profiles_that_ship() -> None:
    assert available() == sorted(BRIDGES)
    for name, bridge in BRIDGES.items():
        process = load_process(name)
        assert process.name == name
        assert process.bridge_mm == bridge
        assert process.lip_mm == 0.8


@pytest.mark.parametrize("name", sorted(BRIDGES))
def test_half_a_line_over_half_a_line_is_exactly_45_degrees(name: str) -> None:
    # derived: tan δ = h / (f·w) = 0.2 / (0.5·0.4) = 1
    process = load_process(name)
    assert process.step_mm == pytest.approx(0.2, abs=1e-12)
    assert process.angle_deg == pytest.approx(45.0, abs=1e-9)


@pytest.mark.parametrize("name", sorted(BRIDGES))
def test_no_material_value_is_inherited_from_another_material(name: str) -> None:
    with (PROFILES / f"{name}.toml").open("rb") as file:
        own = tomllib.load(file)["material"]
    assert set(own) == set(Material.model_fields)


def test_published_values_name_their_source() -> None:
    for name in available():
        for table in load_process(name).model_dump().values():
            for value in table.values() if isinstance(table, dict) else ():
                if isinstance(value, dict) and value["grade"] is Grade.PUBLISHED:
                    assert any(c.isdigit() for c in value["source"]), (name, value)


def write(folder: Path, text: str, name: str = "mine.toml") -> Path:
    file = folder / name
    file.write_text(text, encoding="utf-8")
    return file


def test_own_profile_overrides_only_what_it_states(tmp_path: Path) -> None:
    file = write(
        tmp_path,
        'base = "petg-04"\n[capability]\n'
        'lip_mm = { value = 1.1, source = "coupon of 3 May, machine 4", grade = "measured" }\n',
    )
    mine, petg = load_process(file), load_process("petg-04")
    assert mine.capability.lip_mm == Value(
        value=1.1, source="coupon of 3 May, machine 4", grade=Grade.MEASURED
    )
    assert (mine.bridge_mm, mine.material) == (petg.bridge_mm, petg.material)
    assert (mine.name, petg.name) == ("mine", "petg-04")


def test_base_may_be_a_file_beside_it(tmp_path: Path) -> None:
    write(tmp_path, 'base = "abs-04"\nname = "shop"\n', "shop.toml")
    file = write(tmp_path, 'base = "shop.toml"\nname = "shop-7"\n', "seven.toml")
    assert load_process(str(file)).bridge_mm == 8
    assert load_process(str(file)).name == "shop-7"


def test_a_replaced_value_never_keeps_the_old_source(tmp_path: Path) -> None:
    file = write(tmp_path, 'base = "pla-04"\n[capability]\nlip_mm = { value = 1.1 }\n')
    with pytest.raises(ProcessError, match=r"capability\.lip_mm\.source is missing"):
        load_process(file)


VALUE = 'source = "test", grade = "demo"'
VARIES = "mean = 20, deviation = 1, count = 12, machine = 'number 7', date = 2026-11-30"


def test_a_limit_may_say_how_it_varies(tmp_path: Path) -> None:
    """As measured; else by `assumed`: mean four deviations beyond it, 8 % each (of 15, 1.2 mm)."""
    file = write(tmp_path, 'base = "pla-04"\n[capability]\nbridge_mm = '
                           f"{{ value = 16, {VALUE}, distribution = {{ {VARIES} }} }}\n")
    mine = load_process(file)
    found = distribution_of(mine, "bridge_mm")
    assert (found.mean, found.deviation, found.count) == (20.0, 1.0, 12)
    assert (found.machine, found.date, found.measured) == ("number 7", "2026-11-30", True)
    guess = distribution_of(load_process("pla-04"), "bridge_mm")
    assert (guess.mean, guess.deviation) == pytest.approx((15 + 4 * 1.2, 1.2))
    assert not guess.measured
    flat = distribution_of(mine, "angle_deg")
    assert (flat.mean, flat.deviation) == pytest.approx((45 - 4 * 3.6, 3.6))


def test_a_profile_from_before_there_were_distributions_still_loads(tmp_path: Path) -> None:
    whole = (PROFILES / "pla-04.toml").read_text(encoding="utf-8")
    start, end = whole.index("[assumed]"), whole.index("[park]")
    file = write(tmp_path, whole[:start] + whole[end:])
    assert load_process(file).assumed == load_process("pla-04").assumed


def test_limits_tightened_to_a_share() -> None:
    """At Φ(−5) each is five deviations inside of its mean, one more than it was; at Φ(−3) it would
    be looser, and stays."""
    pla = load_process("pla-04")
    tight = tightened(pla, 2.8665e-7)
    for name in TIGHTENED:
        limit, old, new = LIMITS[name], value_of(pla, name), value_of(tight, name)
        assert new.value == pytest.approx(
            old.value - limit.side * pla.assumed.spread.value * old.value, rel=1e-3)
        assert new.grade is Grade.DERIVED and "uncalibrated" in new.source
        # What it varies by is that of the limit as it was.
        assert distribution_of(tight, name) == distribution_of(pla, name)
        # In four figures, rounded to the careful side.
        assert 5.0 <= z_of(distribution_of(pla, name), name, new.value) < 5.02
    assert tight.angle_deg == pytest.approx(48.6, abs=2e-2) and tight.step_mm < pla.step_mm
    assert tightened(pla, 1.35e-3) == pla
    assert tightened(tight, 2.8665e-7) == tight
    with pytest.raises(ProcessError, match="allow more to fail, or print more coupons"):
        tightened(pla, 1e-70)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (f"[capability]\nangle_deg = {{ value = 85, {VALUE} }}",
         r"capability\.angle_deg is 85; allowed: 20 to 80"),
        (f"[capability]\nangle_deg = {{ value = nan, {VALUE} }}",
         r"capability\.angle_deg is nan; allowed: 20 to 80"),
        (f"[bead]\nlayer_mm = {{ value = 0.4, {VALUE} }}",
         r"bead\.layer_mm is 0\.4; allowed: less than the nozzle, 0\.4"),
        (f"[bead]\nlayer_mm = {{ value = 200, {VALUE} }}",
         r"bead\.layer_mm is 200; allowed: 0\.02 to 1\.5"),
        (f"[bead]\nline_mm = {{ value = 1.2, {VALUE} }}",
         r"bead\.line_mm is 1\.2; allowed: 0\.2 to 1 for a nozzle of 0\.4"),
        (f"[capability]\nbrige_mm = {{ value = 9, {VALUE} }}",
         r"unknown key capability\.brige_mm; did you mean capability\.bridge_mm\?"),
        ("[capabilty]\nx = 1", r"unknown key capabilty; did you mean capability\?"),
        ("[capability]\nlip_mm = 0.8", r"capability\.lip_mm is 0\.8; write \{ value ="),
        (f"[capability]\nlip_mm = {{ value = true, {VALUE} }}",
         r"capability\.lip_mm\.value is True; allowed: a number"),
        (f"[capability]\nlip_mm = {{ value = '0.8', {VALUE} }}",
         r"capability\.lip_mm\.value is '0\.8'; allowed: a number"),
        ("[capability]\nlip_mm = { value = 1, source = 'me!', grade = 'good' }",
         r"capability\.lip_mm\.grade is 'good'; allowed: published, common practice,"),
        *((f"[capability]\nlip_mm = {{ value = {value}, {VALUE}, distribution = {{ {text} }} }}",
           rf"capability\.lip_mm\.distribution{said}") for value, text, said in (
            (1, "mean = 0.9, deviation = 0.1, count = 0",
             r"\.mean is 0\.9; allowed: one that the value 1 lies inside of"),
            (1, "mean = 1.2, deviation = 0, count = 0", r"\.deviation is 0; allowed: a number ab"),
            (1, "mean = 1.2, deviation = 0.1, count = 1", r"\.count is 1; allowed: 0 where nob"),
            (1, "mean = 1.2, deviation = 0.1, count = 5", r"\.machine is \"\"; allowed: what pr"),
            (1, "mean = 1.2, deviation = 0.1, count = 5, machine = 'x', date = 'May'",
             r"\.date is 'May'; allowed: one such as 2026-11-30"),
            (1, "mean = 1.2, deviation = 0.1, count = 2.5", r"\.count is 2\.5; allowed: a whole"),
            (1, "mean = 1.2, deviation = 0.1", r"\.count is missing"))),
        (f"[capability]\nlip_mm = {{ value = 1, {VALUE}, distribution = 3 }}",
         r"lip_mm\.distribution is 3; write \{ mean = …, deviation ="),
        (f"[capability]\nlip_mm = {{ value = 1, {VALUE}, distribution = {{ median = 1 }} }}",
         r"lip_mm\.distribution\.mean is missing|median; did you mean"),
        (f"[capability]\nangle_deg = {{ value = 40, {VALUE}, distribution = "
         "{ mean = 41, deviation = 1, count = 0 } }", r"angle_deg\.distribution\.mean is 41"),
        ("bead = 3", r"bead is 3; allowed: a table \[bead\]"),
        ("[bead\n", r"not valid TOML"),
    ],
)  # fmt: skip
def test_refused_with_key_value_and_what_is_allowed(tmp_path: Path, text: str, says: str) -> None:
    file = write(tmp_path, f'base = "pla-04"\n{text}\n')
    with pytest.raises(ProcessError, match=says) as caught:
        load_process(file)
    assert str(file) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_profile_without_a_base_must_be_complete(tmp_path: Path) -> None:
    with pytest.raises(ProcessError, match="platform is missing; add it, or start from"):
        load_process(write(tmp_path, 'name = "bare"\n'))


def test_unknown_name_lists_the_profiles() -> None:
    with pytest.raises(ProcessError, match=r"'pla-4'; did you mean pla-04\?.*tpu-04"):
        load_process("pla-4")


def test_missing_file_and_circle_and_binary(tmp_path: Path) -> None:
    with pytest.raises(ProcessError, match=r"nowhere\.toml: No such file.*pla-04"):
        load_process(tmp_path / "nowhere.toml")
    write(tmp_path, 'base = "b.toml"', "a.toml")
    write(tmp_path, 'base = "a.toml"', "b.toml")
    with pytest.raises(ProcessError, match="leads back"):
        load_process(tmp_path / "a.toml")
    (tmp_path / "c.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ProcessError, match="UTF-8"):
        load_process(tmp_path / "c.toml")
    with pytest.raises(ProcessError, match="reading process"):
        load_process(tmp_path / "sub" / "x.toml")
