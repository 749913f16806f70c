"""How a missing package is added: by pip, or by what installed the program."""

import json

import pytest

from benchwatch.system.installation import Installation, extra_words, install_words

RECEIPT = """
[tool]
requirements = [
    {{ name = "benchwatch", directory = "{folder}" }},
    {{ name = "zeroconf" }},
]
"""


def words(prefix, *, has_pip=True, managed=False) -> str:
    """Return what is advised for pyusb in the environment `prefix`."""
    return Installation(prefix=prefix, has_pip=has_pip, managed=managed).words("pyusb")


def extra(prefix, *, has_pip=True, managed=False) -> str:
    """Return what is advised for the extra web in the environment `prefix`."""
    return Installation(prefix=prefix, has_pip=has_pip, managed=managed).extra_words("web")


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


def test_an_extra_is_installed_from_the_source_folder_by_the_same_tool(tmp_path):
    """The program is in no index that the words could rely on, so they name its folder."""
    pipx, tool = tmp_path / "pipx", tmp_path / "tool"
    for home, mark in ((pipx, "pipx_metadata.json"), (tool, "uv-receipt.toml")):
        home.mkdir()
        (home / mark).write_text("")

    assert extra(tmp_path) == "in the source folder, pip install '.[web]'"
    assert extra(tmp_path, has_pip=False) == "in the source folder, uv pip install '.[web]'"
    assert extra(tmp_path, managed=True) == "in the source folder, pipx install '.[web]'"
    assert extra(pipx) == "in the source folder, pipx install --force '.[web]'"
    assert extra(tool) == "in the source folder, uv tool install '.[web]'"
    assert extra(tmp_path / "archive-v0" / "x") == (
        "in the source folder, uvx --from '.[web]' benchwatch"
    )


def test_this_installation_has_words():
    """Whatever installed the program that runs the tests: a command with the names in it."""
    assert "pyusb" in install_words("pyusb")
    assert "'.[web]'" in extra_words("web")
