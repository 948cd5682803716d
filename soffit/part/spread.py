"""One function of many things, by all cores: this process and a helper for each core beside it.

Whoever is free takes the next, so a helper that takes long to start costs nothing; one that is
still at work on what nobody waits for is ended. What a helper could not do is done here, where its
error is seen.
"""

from __future__ import annotations

import os
import pickle
import threading
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any

from soffit.errors import KernelError
from soffit.part.child import Child, named

HOST = "soffit.part.serve"

# How long one of them may take in a helper, s (own choice: no review took so long).
LONGEST_S = 600.0

# What a helper was given, and the function of it.
_given: list[Any] = []


def spread(
    function: str, given: object, items: Sequence[object],
    progress: Callable[[int, int], None] | None = None,
) -> list[Any]:
    """`function` ("package.module:name") of `given` and each of `items`, in their order. It answers
    the same wherever it runs, and changes nothing. `progress(done, total)`."""
    with Team(function, given, len(items) - 1) as team:
        return team.each(items, progress)


def begin(function: str, given: object) -> None:
    """In a helper: what is asked for from now on."""
    _given[:] = [named(function), given]


def one(item: object) -> Any:
    """In a helper: what was begun, of one thing."""
    function, given = _given
    return function(given, item)


class Team:
    """This process and its helpers, no more than `most`, ready for one function of `given` and many
    things; helpers start at once, and may be ready by the time that they are needed."""

    def __init__(self, function: str, given: object, most: int | None = None) -> None:
        self._function, self._given = function, given
        self._items: list[object] = []
        self._found: dict[int, Any] = {}
        self._awaited: deque[int] = deque()
        self._beside: deque[int] = deque()
        self._ended = False
        self._children: list[Child] = []
        self._change = threading.Condition()
        helpers = (os.cpu_count() or 1) - 1
        helpers = helpers if most is None else min(helpers, most)
        self._threads = [threading.Thread(target=self._help, daemon=True) for _ in range(helpers)]
        for thread in self._threads:
            thread.start()

    def __enter__(self) -> Team:
        return self

    def __exit__(self, *_: object) -> None:
        """End the helpers, whatever they do."""
        with self._change:
            self._ended = True
            children = list(self._children)
            self._change.notify_all()
        for child in children:
            child.kill()
        for thread in self._threads:
            thread.join()

    def each(
        self, items: Sequence[object], progress: Callable[[int, int], None] | None = None
    ) -> list[Any]:
        """The function of each of `items`, in their order. `progress(done, total)`."""
        return self._answers(self._put(self._awaited, items), progress)

    def beside(self, items: Sequence[object]) -> Callable[..., list[Any]]:
        """The function of each of `items` too, by whoever has nothing else to do. To call what is
        given back, with a `progress` or without, is to wait for them, as `each` does."""
        numbers = self._put(self._beside, items)

        def answers(progress: Callable[[int, int], None] | None = None) -> list[Any]:
            return self._answers(numbers, progress)

        return answers

    def _put(self, queue: deque[int], items: Sequence[object]) -> range:
        with self._change:
            numbers = range(len(self._items), len(self._items) + len(items))
            self._items += items
            queue.extend(numbers)
            self._change.notify_all()
        return numbers

    def _answers(
        self, numbers: range, progress: Callable[[int, int], None] | None
    ) -> list[Any]:
        while (at := self._next(numbers)) is not None:
            if progress is not None:
                progress(sum(k in self._found for k in numbers), len(numbers))
            self._found[at] = named(self._function)(self._given, self._items[at])
        return [self._found[k] for k in numbers]

    def _next(self, wanted: range) -> int | None:
        """What this process does next; it waits while a helper may still give something back; None
        once all that is wanted is there."""
        with self._change:
            while not all(k in self._found for k in wanted):
                if (at := self._taken()) is not None:
                    return at
                # In slices, so that Ctrl-C is seen on every platform.
                self._change.wait(0.1)
            return None

    def _taken(self) -> int | None:
        """The next that nobody does yet."""
        queue = self._awaited or self._beside
        return queue.popleft() if queue else None

    def _help(self) -> None:
        """In a thread of its own: have a helper do what is left, one after the other."""
        try:
            child = Child(HOST)
        except KernelError:
            return
        try:
            with self._change:
                self._children.append(child)
            if self._ask(child, "begin", self._function, self._given) is not None:
                while self._helped_by(child):
                    pass
        finally:
            child.kill()
            child.release()

    def _helped_by(self, child: Child) -> bool:
        """Have a helper do the next, once there is one; False if it could not, or none will be."""
        with self._change:
            while (at := None if self._ended else self._taken()) is None:
                if self._ended:
                    return False
                self._change.wait()
        answer = self._ask(child, "one", self._items[at])
        with self._change:
            if answer is None:
                self._awaited.appendleft(at)
            else:
                self._found[at] = answer[0]
            self._change.notify_all()
        return answer is not None

    def _ask(self, child: Child, name: str, *args: object) -> tuple[Any] | None:
        """The answer of a helper; None where it has none."""
        if self._ended:
            return None
        request = pickle.dumps((f"{__name__}:{name}", args, "helping"),
                               protocol=pickle.HIGHEST_PROTOCOL)
        answer = child.ask(request, LONGEST_S)
        if not answer:
            return None
        kind, value = pickle.loads(answer)
        return (value,) if kind == "value" else None
