"""The page of result keys against what `orient` writes (counts and candidate directions: in their own tests)."""

from __future__ import annotations

import json
from typing import Any

import pytest
from conftest import Measured
from document_types import misfits
from result_keys import differences

from fluxsense.report.documents import AnswerDocument


@pytest.fixture
def document(measured: Measured) -> dict[str, Any]:
    read: dict[str, Any] = json.loads((measured.folder / "results" / "result.json").read_text(encoding="utf-8"))
    return read


def test_the_page_lists_what_a_result_has(document: dict[str, Any]) -> None:
    assert differences(document) == []
    assert misfits(document, AnswerDocument) == []


def test_a_key_more_or_less_is_noticed(document: dict[str, Any]) -> None:
    document["data"]["unheard_of"] = 1
    del document["linearity"]["gain_sd"]
    assert differences(document) == ["not on the page: data.unheard_of", "not in the document: linearity.gain_sd"]
