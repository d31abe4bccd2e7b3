"""Foreign words in a message, the log and the metrics file: none of them does harm (h6)."""

from __future__ import annotations

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.parser import text_string_to_metric_families

from holdstill.model.nightly_state import Incident, Message, MessageKind, RunOutcome
from holdstill.notify import messages, metrics
from holdstill.notify.log import LevelLog
from support import foreign

ANY_TEXT = st.text(st.characters(exclude_categories=()))
OUTCOME = RunOutcome(at="2026-11-25T02:15:03Z", code=6, what="the link failed", tries=2,
                     warnings=("one",), hint="look")  # fmt: skip


def is_clean(message: Message) -> bool:
    return (
        foreign.is_clean(message.title + message.body)
        and "\n" not in message.title
        and "holdstill: a line of its own" not in message.body.splitlines()
    )


@pytest.mark.parametrize(
    "kind", [MessageKind.FAILURE, MessageKind.ATTENTION, MessageKind.RECOVERY]
)
def test_h6_a_message_about_a_run_is_clean(kind: MessageKind) -> None:
    outcome, trouble = foreign.hostile(OUTCOME), foreign.hostile(Incident())

    assert is_clean(messages.about_run(kind, f"pier-3{foreign.HOSTILE}", outcome, trouble))


@given(texts=st.lists(ANY_TEXT, min_size=1, max_size=3), keeper=ANY_TEXT)
def test_h6_a_message_about_boards_is_clean(texts: list[str], keeper: str) -> None:
    message = messages.about_boards(MessageKind.SILENCE, keeper, texts, at="")

    assert foreign.is_clean(message.title + message.body)
    assert message.body.count("\n") == len(texts) - 1


@given(text=ANY_TEXT)
def test_h6_a_line_of_the_log_is_clean(text: str) -> None:
    stream = io.StringIO()

    LevelLog(stream, environment={"JOURNAL_STREAM": "8:1"}).warning(text)

    assert foreign.is_clean(stream.getvalue())
    assert all(line.startswith("<4>") for line in stream.getvalue().splitlines())


@given(board=ANY_TEXT)
def test_h6_a_label_of_the_metrics_file_is_clean_and_one(board: str) -> None:
    family = metrics.Family("holdstill_x", "Help.", {board: 1.0})

    said = metrics.rendered([family]).decode()

    assert foreign.is_clean(said)
    (read,) = text_string_to_metric_families(said)
    assert [sample.value for sample in read.samples] == [1.0]
