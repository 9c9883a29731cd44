"""What a process has loaded that tests fork: once, instead of each time that a worker or a command is started."""

import camlog.analysis
import camlog.capture.record
import camlog.cli.record
import camlog.report
import camlog.serve.converter
import camlog.serve.player
import camlog.serve.tasks
import camlog.sinks
import camlog.trial.judge
import camlog.verify.page
from camlog.serve import worker
from tests.command_help import NICENESS

__all__ = ["camlog"]
worker.NICENESS = NICENESS
