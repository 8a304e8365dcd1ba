"""The errors vocheck raises on purpose.

::

    VocheckError
    ├── AudioError     a recording cannot be read or measured (empty, not audio, NaN)
    ├── TargetError    a delivery target or a limits file is unknown or malformed
    └── SessionError   a folder of takes, its notes or its script cannot be understood

Each message is one line that names the offending file or value, fit to be shown to a user as it is.
"""


class VocheckError(Exception):
    """Base of every error that vocheck raises on purpose."""


class AudioError(VocheckError):
    """A recording cannot be read, or holds nothing that can be measured."""


class TargetError(VocheckError):
    """A delivery target or a limits file is unknown or malformed."""


class SessionError(VocheckError):
    """A folder of takes, its notes or its script cannot be understood."""
