"""The few errors a caller can catch; each carries the exit code its command ends with."""


class LowambientError(Exception):
    """Something a person can put right; its text is a sentence that says how.

    `exit_code` is what the command line ends with.
    """

    exit_code = 2


class InputRefused(LowambientError):
    """A file, a value or a command line that cannot be used (exit 2)."""


class ProfileRefused(InputRefused):
    """A `fleet.toml` that does not validate; `problems` lists each with key, found and allowed (exit 2)."""

    def __init__(self, path: str, problems: list[str]) -> None:
        self.problems = problems
        lines = "\n".join(f"  - {problem}" for problem in problems)
        super().__init__(f"{path} cannot be used:\n{lines}")


class RefrigerantRefused(InputRefused):
    """A refrigerant that is unknown, or known and not computable; the text says which and why (exit 2)."""


class StoreUnavailable(LowambientError):
    """A store that is busy, damaged or of another version (exit 3)."""

    exit_code = 3


class NoSpace(LowambientError):
    """A folder that cannot be written or a disk that is full (exit 4)."""

    exit_code = 4
