"""Trouble codes, monitor results and readiness: from bytes to what they mean."""

from camlog.codes.explain import cam_words, explain
from camlog.codes.families import (
    CAM_FAMILIES,
    FAMILIES,
    KNOWN,
    CodeFacts,
    by_family,
    cams_of,
    facts,
    family_of,
)
from camlog.codes.readiness import MonitorStatus, decode_status, encode_status
from camlog.codes.service06 import (
    TID_MISFIRE_AVERAGE,
    TID_MISFIRE_CURRENT,
    decode_monitor_tests,
    decode_supported,
    encode_monitor_test,
    misfire_cylinder,
    misfire_mid,
)
from camlog.codes.trouble import decode_code, decode_codes, encode_code, encode_codes, is_code, parse_code

__all__ = [
    "CAM_FAMILIES",
    "FAMILIES",
    "KNOWN",
    "TID_MISFIRE_AVERAGE",
    "TID_MISFIRE_CURRENT",
    "CodeFacts",
    "MonitorStatus",
    "by_family",
    "cam_words",
    "cams_of",
    "decode_code",
    "decode_codes",
    "decode_monitor_tests",
    "decode_status",
    "decode_supported",
    "encode_code",
    "encode_codes",
    "encode_monitor_test",
    "encode_status",
    "explain",
    "facts",
    "family_of",
    "is_code",
    "misfire_cylinder",
    "misfire_mid",
    "parse_code",
]
