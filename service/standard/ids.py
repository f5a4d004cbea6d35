"""What are new resources called? UUIDs of version 7. (RFC 9562, section 5.7)"""

from __future__ import annotations

import time
import uuid


def new_id() -> str:
    """A UUID that is random, and grows with time so that indexes stay compact."""
    value = (time.time_ns() // 1_000_000 << 80) | (uuid.uuid4().int & ((1 << 76) - 1))
    return str(uuid.UUID(int=(value & ~(0x3 << 62)) | (7 << 76) | (2 << 62)))
