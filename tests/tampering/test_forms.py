"""Verify's verdict on each form of tampering is the one that docs/auditor.md says, no more and no less."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.journal_reader.chains import check
from tests.program import meterlink
from tests.tampering.forms import BEGIN, END, FINDERS, FORMS, found, table
from tests.tampering.journal import Witnesses, made

DOC = Path(__file__).parents[2] / "docs" / "auditor.md"

pytestmark = pytest.mark.skipif(shutil.which("ssh-keygen") is None, reason="OpenSSH's ssh-keygen is not here")


@pytest.fixture(scope="module")
def witnesses(tmp_path_factory: pytest.TempPathFactory) -> Witnesses:
    return made(tmp_path_factory.mktemp("tampering"))


def test_untouched_it_is_proven_by_all_of_them(witnesses: Witnesses) -> None:
    w = witnesses
    for options in ({}, {"signers": w.signers}, {"trusted": w.head}):
        report = check(w.folder, **options)
        assert report.ok, report.faults
    assert check(w.folder, signers=w.signers).signed_through
    assert check(w.folder, trusted=w.head).trusted_seq


def tried(forms: list[int], tmp_path: Path, w: Witnesses) -> None:
    wrong = []
    for n in forms:
        form = FORMS[n]
        got = found(form, tmp_path / str(n), w)
        if got != FINDERS[form.found_by]:
            wrong.append(f"{form.what}: said to be found by {form.found_by}, found (alone, seal, head): {got}")
    assert not wrong, "\n".join(wrong)


def test_one_in_ten_forms(witnesses: Witnesses, tmp_path: Path) -> None:
    tried(list(range(3, len(FORMS), 13)), tmp_path, witnesses)


@pytest.mark.long
@pytest.mark.timeout(600)
def test_every_form(witnesses: Witnesses, tmp_path: Path) -> None:
    tried(list(range(len(FORMS))), tmp_path, witnesses)


def test_the_page_has_them_all() -> None:
    assert len(FORMS) >= 100
    assert len({form.what for form in FORMS}) == len(FORMS)
    page = DOC.read_text("utf-8")
    assert page[page.index(BEGIN) : page.index(END) + len(END) + 1] == table(), "python -m tests.tampering"


def test_the_exercise(witnesses: Witnesses, tmp_path: Path) -> None:
    """Section 6: what verify says of the forgery, by itself and with each witness."""
    (form,) = [f for f in FORMS if f.found_by == "seal or head" and f.what.startswith("a SHORT made ok")]
    form.do(tmp_path / "forged", witnesses)
    alone = meterlink("journal", "verify", str(tmp_path / "forged"))
    assert alone.returncode == 0
    said = " ".join(alone.stdout.split())
    assert "nothing wrong was found" in said
    assert "not proven that these are the records that were written: whoever may write the folder can" in said
    sealed = meterlink("journal", "verify", str(tmp_path / "forged"), "--allowed-signers", str(witnesses.signers))
    assert (sealed.returncode, "no seal of an allowed signer" in sealed.stdout) == (1, True)
    headed = meterlink("journal", "verify", str(tmp_path / "forged"), "--head", witnesses.head)
    assert (headed.returncode, "never passes through the head" in headed.stdout) == (1, True)
    true = meterlink("journal", "verify", str(witnesses.folder), "--allowed-signers", str(witnesses.signers))
    assert "that owner@bench signed" in true.stdout
    assert "a key that asks for a touch" in true.stdout
