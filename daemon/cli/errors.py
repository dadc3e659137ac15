"""What the command line tells people when something is wrong, and the exit code that goes with it."""


class InputError(Exception):
    """What was given cannot be used. The text says what was got, what was expected and what to do."""

    code = "input"


class RefusedError(Exception):
    """What was asked is refused, though it can be read. The text is the reason."""

    code = "refused"
