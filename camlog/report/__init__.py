"""Reports: Findings to one HTML file that works without a network.

`dashboard` is everywhere the name of a shipped dashboard, the path of a file, or None for that of a test drive. All
raise InputError for a dashboard that is not right; those that write, also where something is there and `replace` is
not set, and OSError for the disk.
"""

from camlog.report.comparison import render_comparison, write_comparison
from camlog.report.document import render_report, write_report

__all__ = ["render_comparison", "render_report", "write_comparison", "write_report"]
