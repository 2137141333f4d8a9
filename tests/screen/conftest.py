"""What all tests of the screen share: pictures that fetch nothing when somebody looks at them."""

from __future__ import annotations

import re
from typing import Any

import pytest
from textual.app import App

# The export names fonts on the web; a reader's own will do. Its remark names a page.
_FROM_THE_WEB = re.compile(r"\s*@font-face \{.*?\}|<!--.*?-->", re.DOTALL)


@pytest.fixture(autouse=True)
def no_fonts_from_the_web(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the fonts out of every exported picture."""
    export = App.export_screenshot

    def exported(self: App[Any], **choices: Any) -> str:
        return _FROM_THE_WEB.sub("", export(self, **choices))

    monkeypatch.setattr(App, "export_screenshot", exported)
