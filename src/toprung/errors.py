"""What stops us.  Findings about a robot are data (`toprung.model.finding`), never exceptions.

ToolError            our input is unusable; exit status 2
├── SiteError        a site file cannot be read as a site
├── CaptureError     a capture cannot be read as a capture
├── LiveError        a network or a machine's privileges do not let us listen, join or probe
├── RehearseError    this machine cannot run a site as real traffic
└── UsageError       the command was called with words that do not fit together

Every error says what is wrong, where, and what would be right.  All arguments are positional, so an
error survives pickling from a worker process.
"""


class ToolError(Exception):
    """Our input is unusable."""

    exit_status = 2

    def __init__(self, what: str, where: str, right: str) -> None:
        super().__init__(what, where, right)
        self.what = what
        self.where = where
        self.right = right

    def __str__(self) -> str:
        return f"{self.where}: {self.what}; {self.right}"


class SiteError(ToolError):
    """A site file cannot be read as a site."""


class CaptureError(ToolError):
    """A capture cannot be read as a capture."""


class LiveError(ToolError):
    """A network or a machine's privileges do not let us listen, join or probe."""


class RehearseError(ToolError):
    """This machine cannot run a site as real traffic."""


class UsageError(ToolError):
    """The command was called with words that do not fit together."""
