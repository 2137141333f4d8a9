"""What a command needs a running engine for is refused, with what to do, where there is none."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from companion.cli.exits import Refused
from companion.link.endpoint import NoEngine
from companion.link.messages import LinkError


@contextmanager
def engine_needed() -> Iterator[None]:
    """Turn it into Refused that no engine is found, or that it does not answer."""
    try:
        yield
    except NoEngine as error:
        raise Refused(f"{error}; start one: companion play SET") from error
    except LinkError as error:
        raise Refused(str(error)) from error
