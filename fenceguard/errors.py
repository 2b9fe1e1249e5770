"""The one exception that a user gets to read."""


class BadInput(Exception):
    """Something given to the program cannot be used.

    The text says what is wrong, where, and what to do about it; a text of several lines names
    several faults. The commands print it and exit with status 2.
    """
