"""camlog finds what it would find on Windows: put this folder on PYTHONPATH, and every Python process does so at its start.

Only camlog's own modules are deceived; Python's and the libraries' need what this system really is. Missing are the
modules, and the names of `os`, `signal` and `time`, that Windows lacks (Python's documentation, "Availability: Unix"; from
memory), and the devices. In the folder CAMLOG_TEST_FOLDER, a file that any process has open is neither replaced nor
removed. With CAMLOG_TEST_COARSE the monotonic clock steps by 15.6 ms. Text files must name their encoding.
"""

from __future__ import annotations

import builtins
import errno
import glob
import math
import os
import signal
import sys
import time
import types
import warnings
from contextlib import suppress

NO_MODULES = {
    "termios", "tty", "pty", "fcntl", "grp", "pwd", "resource", "posix", "syslog", "readline", "curses", "spwd",
}  # fmt: skip
NOT_IN_OS = [
    "chown",
    "chroot",
    "confstr",
    "ctermid",
    "fork",
    "forkpty",
    "fchmod",
    "fchown",
    "fdatasync",
    "fpathconf",
    "fstatvfs",
    "get_blocking",
    "getegid",
    "geteuid",
    "getgid",
    "getgroups",
    "getloadavg",
    "getpgid",
    "getpgrp",
    "getpriority",
    "getresgid",
    "getresuid",
    "getsid",
    "getuid",
    "initgroups",
    "killpg",
    "lchown",
    "lockf",
    "major",
    "makedev",
    "minor",
    "mkfifo",
    "mknod",
    "nice",
    "openpty",
    "pathconf",
    "pipe2",
    "posix_fadvise",
    "posix_fallocate",
    "posix_spawn",
    "posix_spawnp",
    "pread",
    "preadv",
    "pwrite",
    "pwritev",
    "readv",
    "writev",
    "register_at_fork",
    "sched_getaffinity",
    "sched_getparam",
    "sched_getscheduler",
    "sched_param",
    "sched_setaffinity",
    "sched_setparam",
    "sched_setscheduler",
    "sched_yield",
    "sendfile",
    "set_blocking",
    "setegid",
    "seteuid",
    "setgid",
    "setgroups",
    "setpgid",
    "setpriority",
    "setregid",
    "setresgid",
    "setresuid",
    "setreuid",
    "setsid",
    "setuid",
    "statvfs",
    "sync",
    "sysconf",
    "tcgetpgrp",
    "tcsetpgrp",
    "ttyname",
    "uname",
    "wait",
    "wait3",
    "wait4",
    "waitid",
    "WNOHANG",
    "O_NOFOLLOW",
    "O_NONBLOCK",
    "O_DIRECTORY",
    "O_CLOEXEC",
    "O_SYNC",
    "O_DSYNC",
    "O_NOCTTY",
    "O_ASYNC",
    "SCHED_RR",
    "SCHED_FIFO",
    "SCHED_OTHER",
    "PRIO_PROCESS",
    "eventfd",
    "memfd_create",
    "getxattr",
    "setxattr",
    "listxattr",
    "getrandom",
]
NOT_IN_SIGNAL = [
    "SIGHUP",
    "SIGKILL",
    "SIGQUIT",
    "SIGALRM",
    "SIGUSR1",
    "SIGUSR2",
    "SIGSTOP",
    "SIGCONT",
    "SIGCHLD",
    "SIGPIPE",
    "SIGTSTP",
    "SIGTTIN",
    "SIGTTOU",
    "SIGWINCH",
    "SIGIO",
    "alarm",
    "setitimer",
    "getitimer",
    "pause",
    "pthread_kill",
    "pthread_sigmask",
    "sigwait",
    "sigwaitinfo",
    "sigtimedwait",
    "sigpending",
    "siginterrupt",
]
NOT_IN_TIME = [name for name in dir(time) if name.startswith(("clock_", "CLOCK_", "pthread_"))] + ["tzset"]
BREAK = 21  # SIGBREAK on Windows; here another signal has that number, which nobody sends
STEP_S = 1.0 / 64.0


class Deceiving(types.ModuleType):
    """A module as on Windows: without `lacks`, with `has` in the place of what there is; all else is the real one's."""

    def __init__(self, real: types.ModuleType, lacks: list[str], **has: object):
        super().__init__(real.__name__)
        self.__dict__.update(_real=real, _lacks=frozenset(lacks), _has=has)

    def __getattr__(self, name: str):
        if name in self._has:
            return self._has[name]
        if name in self._lacks:
            raise AttributeError(f"module {self.__name__!r} has no attribute {name!r}")
        return getattr(self._real, name)

    def __setattr__(self, name: str, value: object) -> None:
        setattr(self._real, name, value)


DECEIVING = {
    "os": Deceiving(os, NOT_IN_OS, name="nt"),
    "signal": Deceiving(signal, NOT_IN_SIGNAL, SIGBREAK=BREAK),
    "time": Deceiving(time, NOT_IN_TIME),
    "sys": Deceiving(sys, [], platform="win32"),
}
_import = builtins.__import__


def _import_as_on_windows(name, globals=None, locals=None, fromlist=(), level=0):
    if level == 0 and str((globals or {}).get("__name__", "")).split(".")[0] == "camlog":
        if name.split(".")[0] in NO_MODULES:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
        if name in DECEIVING:
            return DECEIVING[name]
        found = _import(name, globals, locals, fromlist, level)
        if name == "serial.tools":
            sys.modules["serial.tools.list_ports"].comports = _com_ports
        return found
    return _import(name, globals, locals, fromlist, level)


def _com_ports() -> list[types.SimpleNamespace]:
    """A cable, and the two ports of a paired Bluetooth adapter, as pyserial lists them (invented numbers)."""
    bluetooth = "Standard Serial over Bluetooth link ({})"
    service = "BTHENUM\\{{00001101-0000-1000-8000-00805F9B34FB}}_LOCALMFG&000{}\\7&1A2B3C4D&0&{}"
    return [
        types.SimpleNamespace(device=device, description=text.format(device), manufacturer=maker, hwid=hwid)
        for device, text, maker, hwid in (
            ("COM5", bluetooth, "Microsoft", service.format(0, "000000000000_00000000")),
            ("COM4", bluetooth, "Microsoft", service.format(2, "001122334455_C00000000")),
            ("COM3", "USB Serial Port ({})", "Invented", "USB VID:PID=0000:0001 SER=X"),
        )
    ]


def _is_open(path: str) -> bool:
    for link in glob.glob("/proc/[0-9]*/fd/*"):
        with suppress(OSError):
            if os.readlink(link) == path:
                return True
    return False


def _keeping_open_files(real):
    def move_or_remove(path, *others, **options):
        folder = os.environ.get("CAMLOG_TEST_FOLDER")
        for name in (path, *others):
            at = os.path.realpath(os.fspath(name)) if isinstance(name, str | os.PathLike) else ""
            if folder and at.startswith(folder) and _is_open(at):
                raise PermissionError(errno.EACCES, "the file is open in another program", at)
        return real(path, *others, **options)

    return move_or_remove


for _name in ("replace", "rename", "unlink", "remove"):
    setattr(os, _name, _keeping_open_files(getattr(os, _name)))
_open = builtins.open


def _open_without_devices(file, *args, **options):
    if str(file).startswith("/dev/") and str(sys._getframe(1).f_globals.get("__name__", "")).startswith("camlog"):
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(file))
    return _open(file, *args, **options)


_monotonic = time.monotonic
if os.environ.get("CAMLOG_TEST_COARSE"):
    time.monotonic = lambda: math.floor(_monotonic() / STEP_S) * STEP_S
builtins.__import__ = _import_as_on_windows
builtins.open = _open_without_devices
warnings.filterwarnings("error", category=EncodingWarning, module=r"camlog(\.|\Z)")
