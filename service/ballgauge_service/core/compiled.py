"""Numeric kernels: written once, run by the interpreter or as machine code.

One ball needs no compiler: a drilling is interpreted in milliseconds, while loading the compiler takes over a
second and compiling half a minute. A kernel therefore runs interpreted until machine code pays: the caller
says how long interpreting would take (`Kernel.expecting`, `run_compiled`), or so much time was already spent
on interpreting that it would have paid, or the code is loaded in this process. Both ways follow IEEE 754 (no
fast-math; a division by zero or a root of a negative number is no error) and give the same numbers.
"""

from __future__ import annotations

import hashlib
import importlib.util
import math
import os
import sys
import threading
import time
from collections.abc import Callable
from functools import lru_cache, partial, update_wrapper
from pathlib import Path
from types import FunctionType, SimpleNamespace
from typing import Any, Generic, ParamSpec, TypeVar, cast

import numpy as np

P = ParamSpec("P")
R = TypeVar("R")

LOADING, READING, COMPILING = 1.5, 0.2, 40.0
"""What machine code costs [s] (ours, measured and rounded): with the compiler to load, with the code to read,
and with the code to make."""

_GATHERING = 0x04 | 0x08
"""Flags of code that gathers further arguments (`inspect.CO_VARARGS`, `CO_VARKEYWORDS`)."""

KERNELS: list[Kernel[..., Any]] = []
"""Every kernel of the modules imported so far."""


def compiled(function: Callable[P, R]) -> Kernel[P, R]:
    """Make a kernel of a scalar function: numbers, tuples and arrays in, and other kernels to call.

    Raises TypeError where its arguments are not plain ones: code is made for arguments in their places.
    """
    kernel = Kernel(function)
    KERNELS.append(kernel)
    return kernel


def run_compiled(*parts: str) -> None:
    """Run the kernels of these parts (`design`, `physics.motion`; all unless told) compiled from here on.

    For work that is known to pay for it; the whole process keeps to it. Without the compiler nothing changes.
    """
    _asked.update([f"{part}." for part in parts] or [""])


@lru_cache
def available() -> bool:
    """Whether the compiler is installed."""
    return importlib.util.find_spec("numba") is not None


class Kernel(Generic[P, R]):
    """A function that runs either way; the kernels it calls run the same way as itself.

    Structured arrays are given to the interpreter as `numpy.recarray`, so that their fields are attributes.
    """

    def __init__(self, function: Callable[P, R]) -> None:
        self.function = cast(FunctionType, function)
        code = self.function.__code__
        self._names = code.co_varnames[: code.co_argcount]
        if self.function.__defaults__ or code.co_kwonlyargcount or code.co_flags & _GATHERING:
            raise TypeError(f"the kernel {function.__qualname__} has arguments that need not be given")
        self.part = function.__module__.partition(".")[2]
        self._machine: Callable[P, R] | None = None
        update_wrapper(self, function)

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R:
        """Run it the way that pays."""
        return self.expecting(0.0)(*args, **kwargs)

    def expecting(self, seconds: float, compiling: float = COMPILING) -> Callable[P, R]:
        """The way that pays where interpreting would take about so long, and compiling so long [s]."""
        return self._machine or (self.compiled if self._pays(seconds, compiling) else self.interpreted)

    def interpreted(self, *args: P.args, **kwargs: P.kwargs) -> R:
        """Run it by the interpreter."""
        begun = time.perf_counter()
        given = [as_record(argument) for argument in self._placed(args, kwargs)]
        with np.errstate(all="ignore"):
            result: R = INTERPRETED.of(self)(*given)
        _spent[0] += time.perf_counter() - begun
        return result

    def compiled(self, *args: P.args, **kwargs: P.kwargs) -> R:
        """Run it as machine code, compiled on the first call and kept on disk for later starts."""
        given = self._placed(args, kwargs)
        if self._machine is None:
            # Deferred: the budget asks this module for its clock.
            from ballgauge_service.core.budget import outlast

            outlast(partial(_make, self, given))
        machine = COMPILED.of(self)
        result: R = machine(*given)
        self._machine = machine
        return result

    def kept(self) -> bool:
        """Whether its machine code lies on the disk, of these sources and for this interpreter."""
        code = self.function.__code__
        version = f"py{sys.version_info[0]}{sys.version_info[1]}"
        stem = f"{Path(code.co_filename).stem}.{self.function.__qualname__}-{code.co_firstlineno}.{version}"
        return any(Path(_folder(self.part)).glob(f"*/{stem}*.nbi"))

    def _placed(self, args: tuple[Any, ...], named: dict[str, Any]) -> tuple[Any, ...]:
        """All arguments in their places. Raises TypeError."""
        if not named:
            return args
        left = self._names[len(args) :]
        if named.keys() != set(left):
            raise TypeError(f"the kernel {self.function.__qualname__} takes {', '.join(self._names)}")
        return (*args, *(named[name] for name in left))

    def _pays(self, seconds: float, compiling: float) -> bool:
        if not available():
            return False
        if _asked and any(f"{self.part}.".startswith(part) for part in _asked):
            return True
        total = _spent[0] + seconds
        price = READING if "numba" in sys.modules else LOADING
        return total > compiling or (total > price and self.kept())


class Way:
    """All kernels bound one way, each to a namespace in which the others are bound alike."""

    def __init__(
        self, bind: Callable[[Kernel[..., Any], FunctionType], Callable[..., Any]], **own: Any
    ) -> None:
        self._bind = bind
        self._own = own
        self._bound: dict[Kernel[..., Any], Callable[..., Any]] = {}
        self._namespaces: dict[str, dict[str, Any]] = {}
        self._lock = threading.RLock()

    def of(self, kernel: Kernel[..., Any]) -> Callable[..., Any]:
        """The function of a kernel, bound this way."""
        bound = self._bound.get(kernel)
        if bound is None:
            with self._lock:
                bound = self._bound.get(kernel) or self._made(kernel)
        return bound

    def _made(self, kernel: Kernel[..., Any]) -> Callable[..., Any]:
        function = kernel.function
        namespace = self._namespaces.get(function.__module__)
        if namespace is None:
            namespace = self._namespaces[function.__module__] = dict(function.__globals__)
            for name, value in function.__globals__.items():
                if isinstance(value, Kernel):
                    namespace[name] = self.of(value)
                elif name in self._own:
                    namespace[name] = self._own[name]
            if kernel in self._bound:
                return self._bound[kernel]
        copy = FunctionType(function.__code__, namespace, function.__name__, function.__defaults__)
        copy.__module__, copy.__qualname__ = function.__module__, function.__qualname__
        bound = self._bound[kernel] = self._bind(kernel, copy)
        return bound


def as_record(argument: Any) -> Any:
    """A structured array as a `numpy.recarray`; anything else as it is."""
    structured = isinstance(argument, np.ndarray) and argument.dtype.names
    return argument.view(np.recarray) if structured else argument


def _ieee(function: Callable[..., float], beyond: float) -> Callable[..., np.float64]:
    """A function of `math` with `beyond` for its errors, and a number that can be divided by zero."""

    def evaluate(*values: float) -> np.float64:
        try:
            return np.float64(function(*values))
        except (ValueError, OverflowError):
            return np.float64(beyond)

    return evaluate


_MATH = SimpleNamespace(
    **vars(math)
    | {name: _ieee(getattr(math, name), math.nan) for name in ("sqrt", "asin", "acos", "atan2", "sin", "cos")}
    | {"exp": _ieee(math.exp, math.inf), "hypot": np.hypot}
)


def _compile(kernel: Kernel[..., Any], function: FunctionType) -> Callable[..., Any]:
    # Deferred: the compiler takes over a second to load.
    import numba
    from numba.core import event

    if not _watched:
        register: Any = event.register
        _watched.append(register("numba:compile", _watch(event)))
    options: dict[str, Any] = {"nogil": True, "error_model": "numpy"}
    settings: Any = numba.config
    before = settings.CACHE_DIR
    settings.CACHE_DIR = _folder(kernel.part)
    try:
        machine = numba.njit(cache=True, **options)(function)
    except (OSError, RuntimeError):
        # No writable home: compiled in memory at each start.
        machine = numba.njit(**options)(function)
    finally:
        settings.CACHE_DIR = before
    return cast(Callable[..., Any], machine)


def _make(kernel: Kernel[..., Any], args: tuple[Any, ...]) -> None:
    """Have the machine code of a kernel made for such arguments, unless it is there."""
    machine: Any = COMPILED.of(kernel)
    machine.compile(tuple(map(machine.typeof_pyval, args)))


def _watch(event: Any) -> Any:
    """A listener that adds up the time of compiling, which one thread does at a time."""

    class Watch(event.Listener):  # type: ignore[misc]
        depth = 0

        def on_start(self, _: Any) -> None:
            self.depth += 1
            if self.depth == 1:
                _making[1] = time.monotonic()

        def on_end(self, _: Any) -> None:
            self.depth -= 1
            if self.depth == 0:
                _making[:] = [_making[0] + time.monotonic() - _making[1], math.inf]

    return Watch()


def working_clock() -> float:
    """Seconds, rising while this process makes no machine code: what a request is given to work."""
    now = time.monotonic()
    made, since = _making
    return now - made - max(now - since, 0.0)


def is_compiling() -> bool:
    """Whether this process makes machine code at this moment."""
    return _making[1] < math.inf


INTERPRETED = Way(lambda _, function: function, math=_MATH)
COMPILED = Way(_compile)

_watched: list[Any] = []
_making = [0.0, math.inf]
"""Seconds that this process has spent on making machine code, and when it began to, if it is at it."""
_asked: set[str] = set()
_spent = [0.0]
"""Seconds that this process has spent on interpreting kernels."""


def _folder(part: str) -> str:
    return os.environ.get("NUMBA_CACHE_DIR") or _kept_code(part.partition(".")[0])


@lru_cache
def _kept_code(capability: str) -> str:
    """Folder of the compiled code of one capability, named after all sources that it is compiled from.

    numba looks only at the file of the function itself, so a change in a kernel that others call would leave
    their old code in use; a folder a version of the sources does not. Kernels call those of their own
    capability and of the physics.
    """
    core = Path(__file__).parent
    sources = [core / "compiled.py", core / "units.py"]
    for folder in dict.fromkeys(("physics", capability)):
        sources += sorted((core.parent / folder).rglob("*.py"))
    digest = hashlib.sha256()
    for source in sources:
        digest.update(source.read_bytes())
    home = os.environ.get("XDG_CACHE_HOME") or os.path.join(os.path.expanduser("~"), ".cache")
    return os.path.join(home, "ballgauge", f"{capability}-{digest.hexdigest()[:16]}")
