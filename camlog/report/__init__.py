"""Reports: Findings as one HTML file that works without a network.

`dashboard` is always the name of a shipped dashboard, the path of a file, or None for that of a test drive. All
functions raise InputError for a wrong dashboard. Those that write also raise InputError if the file exists and
`replace` is not set, and OSError if the disk fails.
"""

from camlog.report.comparison import render_comparison, write_comparison
from camlog.report.document import render_report, write_report

__all__ = ["render_comparison", "render_report", "write_comparison", "write_report"]
