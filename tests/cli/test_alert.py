"""`alert test`: one message to each destination of the site file, and what became of it."""

from pathlib import Path

import pytest

from daemon.cli.main import main
from tests.api.followers.servers import http_sink
from tests.night.sites import CREEK

_HOOK = """
[alerts.to.{name}]
kind = "webhook"
url = "{url}"
events = ["morning"]
allow_private = true
"""


def _site(folder: Path, more: str) -> str:
    file = folder / "site.toml"
    file.write_text((CREEK / "site.toml").read_text("utf-8") + more, "utf-8")
    return str(file)


def test_each_destination_and_what_became_of_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Guards the try before the night: one that takes it, one that is not there, and an exit code that says so."""
    with http_sink() as sink:
        more = _HOOK.format(name="good", url=f"{sink.address}/in")
        more += _HOOK.format(name="gone", url="http://127.0.0.1:9/in")
        site = _site(tmp_path, more)
        assert main(["alert", "test", site]) == 1
        said = capsys.readouterr().out.splitlines()
        assert said[0] == "good: sent." and said[1].startswith("gone: not sent. 127.0.0.1:9 did not take it")
        assert main(["alert", "test", site, "--to", "good"]) == 0
    assert len(sink.taken) == 2 and "Kestrel Bend" in sink.taken[0]["title"] and "test" in sink.taken[0]["text"]


@pytest.mark.parametrize(
    ("more", "words", "says"),
    [
        ("", (), "names no destination"),
        (_HOOK.format(name="good", url="http://127.0.0.1:9/"), ("--to", "bad"), "got 'bad'; expected one of good"),
        (
            '[alerts]\ncredentials = "/nowhere/x.toml"\n' + _HOOK.format(name="good", url="http://127.0.0.1:9/"),
            (),
            "/nowhere/x.toml: cannot be read",
        ),
    ],
)
def test_what_cannot_be_tried(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], more: str, words: tuple[str, ...], says: str
) -> None:
    """It is said what is wrong and what to do, and nothing is sent."""
    assert main(["alert", "test", _site(tmp_path, more), *words]) == 2
    assert says in capsys.readouterr().err
