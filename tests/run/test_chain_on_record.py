"""A comparison on record: in the visit, the journal and the event log, also after a kill."""

from pathlib import Path

from visit_kit import MadeBench

TEXT = "chain proven: spare's time base is off by -200.0 ± 0.1 ppb against main"
VALUES = {"agree": False, "sentences": ["main and spare disagree.", "spare is slow."]}


def test_a_comparison_survives_a_kill(tmp_path: Path) -> None:
    """The visit that goes on has the newest one, and says when it was made."""
    place = MadeBench(tmp_path)
    killed = place.watch("0417")
    killed.feed(36.0)
    for text in ("older", TEXT):
        killed.counter.pipeline.change_visit(
            lambda visit, text=text: visit.add_comparison(text, VALUES, place.clock.utc(), 9.0)
        )
    before = killed.now.visit
    place.kill(killed)

    with place.watching("0417") as resumed:
        visit, texts = resumed.now.visit, resumed.texts

    assert before is not None
    assert visit is not None
    assert before.chain == visit.chain == TEXT
    assert visit.chain_utc_s is not None
    assert any(TEXT in text for text in texts)
    (kept,) = place.visits()
    assert kept.comparison is not None
    assert kept.comparison.sentences == ("main and spare disagree.", "spare is slow.")
    assert [one.text for one in kept.remarks if one.kind == "comparison"] == ["older", TEXT]


def test_another_visit_has_no_proof_of_the_one_before(tmp_path: Path) -> None:
    """The next unit's chain is to be proven anew."""
    place = MadeBench(tmp_path)
    with place.watching("0417") as watched:
        watched.feed(36.0)
        watched.counter.pipeline.change_visit(
            lambda visit: visit.add_comparison(TEXT, VALUES, place.clock.utc(), 9.0)
        )
        watched.counter.change_visit("new visit", "")

        assert watched.now.visit is not None
        assert watched.now.visit.chain == ""
