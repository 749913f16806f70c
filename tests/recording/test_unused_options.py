"""Options for the columns of tables, typed for a file whose columns are known."""

from pathlib import Path

import pytest
from command_kit import Command, command_in
from report_kit import good_visit

READINGS = "".join(
    f'{{"kind":"reading","counter":"main","time":null,"elapsed_s":{n}.5,"gate_s":1.0,'
    f'"frequency_hz":10000000.02,"flags":[]}}\n'
    for n in range(20)
)


@pytest.fixture
def command(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Command:
    """Run a command in this process, with a data folder of the test's own."""
    return command_in(capsys, monkeypatch, tmp_path)


def read_all(path: Path, *typed: str) -> tuple[tuple[str, ...], ...]:
    """Return what commands are to read a file with options."""
    return tuple(
        (name, str(path), "--nominal", "10MHz", *more, *typed)
        for name, more in (("replay", ("--plain",)), ("stability", ()), ("budget", ()))
    )


@pytest.mark.parametrize("form", ["a file of JSON lines", "a journal"])
def test_options_for_columns_are_said_to_be_unused(
    command: Command, tmp_path: Path, form: str
) -> None:
    """One sentence names them and the form of the file; the numbers are those without them."""
    path = tmp_path / "run.jsonl"
    path.write_text(READINGS)
    if form == "a journal":
        path = good_visit(tmp_path / "bench").journal

    plain = [command(*words) for words in read_all(path)]
    typed = [
        command(*words)
        for words in read_all(path, "--time-column", "1", "--value-column", "frequency_hz")
    ]

    said = f"{path} is {form}, in which times and numbers have their names: "
    for before, after in zip(plain, typed, strict=True):
        assert (after.code, after.out) == (before.code, before.out), after.err
        assert after.err.count(f"{said}--time-column and --value-column say nothing of it.") == 1
        assert "say nothing of it" not in before.err


def test_wraps_of_a_frequency_are_said_to_be_unused(command: Command, tmp_path: Path) -> None:
    """Only a time error begins anew."""
    path = tmp_path / "run.csv"
    path.write_text("time_s,frequency_hz\n" + "".join(f"{n},10000000.02\n" for n in range(20)))

    for words in read_all(path, "--wraps", "100ns"):
        assert "--wraps is for a time error (phase_s)" in command(*words).err
