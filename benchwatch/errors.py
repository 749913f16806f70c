"""What can go wrong, as one tree; each error is a sentence and an exit code.

    BenchwatchError                 1
    ├── UsageError                  2   what was typed, or a setting in a file, can't be used
    │   ├── QuantityError           2   a quantity can't be read
    │   │   └── FewerDigits         2   a typed reading may be cut; the same again is taken
    │   ├── UnknownUnit             2   the register has no unit of this name yet
    │   └── DriverError             2   no such driver, or a driver or profile that can't be loaded
    ├── ConnectionFailed            3   nothing usable answers at this resource
    │   ├── NotACounter             3   something answers, but it is no counter we can read
    │   └── RecordAway              3   the database of the central record does not answer
    ├── LinkLost                    4   the link broke after it had worked
    │   └── ReplyTimeout            4   no whole reply came in time
    ├── InputEnded                  0   standard input has ended, and with it the run
    ├── NoReadings                  4   connected, but nothing usable was read
    ├── ReplyError                  4   a reply came and is no reading: garbage, cut, implausible
    │   └── BetweenSettings         4   a reading while the unit is being dialled to another setting
    └── FileError                   5   a file can't be read or written, or is not what it should be
        ├── JournalError            5   the journal can't be opened or written
        ├── RegisterError           5   the register of units and visits can't be read or written
        └── RecordError             5   the central record can't be used as it is
            └── OtherSchema         5   its schema is of an older or a newer program

A message says what failed, the limit or the place, and what to do next.
"""


class BenchwatchError(Exception):
    """Base of every error that is shown to a person as a sentence."""

    exit_code = 1


class UsageError(BenchwatchError):
    """What was typed, or a setting in a file, can't be used."""

    exit_code = 2


class QuantityError(UsageError):
    """A quantity can't be read; the message quotes the text and shows the expected forms."""


class FewerDigits(QuantityError):
    """A typed reading ends earlier than those before it; the same line again is taken."""


class UnknownUnit(UsageError):
    """The register has no unit of this name yet."""


class DriverError(UsageError):
    """No such driver, or a driver or profile that can't be loaded."""


class ConnectionFailed(BenchwatchError):
    """Nothing usable answers at this resource."""

    exit_code = 3


class NotACounter(ConnectionFailed):
    """Something answers at this resource, but it is no counter that can be read."""


class RecordAway(ConnectionFailed):
    """The database of the central record does not answer; trying again later may help."""


class LinkLost(BenchwatchError):
    """The link to the counter broke after it had worked."""

    exit_code = 4


class ReplyTimeout(LinkLost):
    """No whole reply came in time; the link must be synchronised before it is trusted again."""


class InputEnded(BenchwatchError):
    """Standard input has ended, and with it the run; no failure once there were readings."""

    exit_code = 0


class NoReadings(BenchwatchError):
    """Connected, but nothing usable was read."""

    exit_code = 4


class ReplyError(BenchwatchError):
    """A reply came and is no reading: garbage, cut, or nowhere near the nominal."""

    exit_code = 4


class BetweenSettings(ReplyError):
    """A reading near neither of two settings: the unit is being dialled from one to the other."""


class FileError(BenchwatchError):
    """A file can't be read or written, or is not what it should be."""

    exit_code = 5


class JournalError(FileError):
    """The journal can't be opened or written."""


class RegisterError(FileError):
    """The register of units and visits can't be read or written."""


class RecordError(FileError):
    """The central record can't be used as it is; trying again does not help."""


class OtherSchema(RecordError):
    """The central record has a schema that this program doesn't know."""


INTERRUPTED = 130
"""Exit code of a run that a person or a signal ended."""
