"""Reading and writing of scans and meshes: the only place where units change.

A reader checks the file itself, header and counts first, before anything large
is made; what it cannot vouch for it refuses in words (`FileTrouble`).
"""

from rejoin.core.files.reading import READABLE, memory_to_read, read_fragment, scan_files
from rejoin.core.files.writing import WRITABLE, write_mesh
from rejoin.core.settings import UNITS

__all__ = ["READABLE", "UNITS", "WRITABLE", "memory_to_read", "read_fragment", "scan_files", "write_mesh"]
