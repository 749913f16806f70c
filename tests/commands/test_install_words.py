"""How a missing package is added: by pip, or by what installed the program."""

import json

import pytest

from benchwatch.commands.common.install_words import install_words

RECEIPT = """
[tool]
requirements = [
    {{ name = "benchwatch", directory = "{folder}" }},
    {{ name = "zeroconf" }},
]
"""


def words(prefix, *, has_pip=True, managed=False) -> str:
    """Return what is advised for pyusb in the environment `prefix`."""
    return install_words("pyusb", prefix=prefix, has_pip=has_pip, managed=managed)


def test_a_usual_environment_takes_pip(tmp_path):
    """Without a mark of another tool it is pip; where there is no pip, uv's."""
    assert words(tmp_path) == "pip install pyusb"
    assert words(tmp_path, has_pip=False) == "uv pip install pyusb"


def test_an_environment_of_pipx_takes_inject(tmp_path):
    """The environment's name counts: pipx can install under another one."""
    home = tmp_path / "venvs" / "benchwatch-next"
    home.mkdir(parents=True)
    (home / "pipx_metadata.json").write_text(json.dumps({"pipx_metadata_version": "0.5"}))

    assert words(home) == "pipx inject benchwatch-next pyusb"


@pytest.mark.parametrize(
    ("folder", "shown"), [("/src/benchwatch", "/src/benchwatch"), ("/my src/b", "'/my src/b'")]
)
def test_a_tool_of_uv_keeps_its_source_and_what_was_added(tmp_path, folder, shown):
    """The command names where the program came from, and the packages added before."""
    (tmp_path / "uv-receipt.toml").write_text(RECEIPT.format(folder=folder))

    assert words(tmp_path) == f"uv tool install --with zeroconf --with pyusb {shown}"


@pytest.mark.parametrize("text", ["", "tool = 3", "[tool]\nrequirements = [3]", "\x00", "= ="])
def test_a_strange_receipt_is_no_error(tmp_path, text):
    """A receipt that can't be read leaves the name of the program."""
    (tmp_path / "uv-receipt.toml").write_text(text)

    assert words(tmp_path) == "uv tool install --with pyusb benchwatch"


def test_uvx_gets_it_at_the_next_start(tmp_path):
    """An environment in uv's cache is made anew at each start."""
    assert words(tmp_path / "archive-v0" / "x1") == (
        "in the source folder, uvx --with pyusb --from . benchwatch"
    )


def test_a_python_of_the_system_gets_pipx(tmp_path):
    """Where pip would refuse (PEP 668), the way is an environment of its own."""
    assert words(tmp_path, managed=True) == (
        "the system manages this Python: in the source folder, pipx install ., then pipx inject "
        "benchwatch pyusb"
    )
