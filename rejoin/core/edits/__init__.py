"""Hand work on a project: each edit takes a `Project` and returns a new one."""

from rejoin.core.edits.dimensions import (
    add_reading,
    change_reading,
    correct_scale,
    remove_reading,
    restore,
    with_readings,
)
from rejoin.core.edits.faces import (
    add_triangles,
    area_of,
    choose_face,
    clear_face,
    remove_triangles,
)
from rejoin.core.edits.joints import (
    drop_size,
    free_joint,
    join_as_placed,
    join_by_hand,
    join_by_marks,
    pin_joint,
    place_by_hand,
    reject_joint,
    state_size,
    use_candidate,
)
from rejoin.core.edits.making import with_picks
from rejoin.core.edits.papers import (
    attach,
    detach,
    keep_originals,
    write_originals,
)
from rejoin.core.edits.scans import (
    exchange_fragment,
    remove_fragment,
    rename,
    set_role,
    state_unit,
)
from rejoin.core.edits.seam import split_glued
from rejoin.core.edits.views import make_one

__all__ = [
    "add_reading",
    "add_triangles",
    "area_of",
    "attach",
    "change_reading",
    "choose_face",
    "clear_face",
    "correct_scale",
    "detach",
    "drop_size",
    "exchange_fragment",
    "free_joint",
    "join_as_placed",
    "join_by_hand",
    "join_by_marks",
    "keep_originals",
    "make_one",
    "pin_joint",
    "place_by_hand",
    "reject_joint",
    "remove_fragment",
    "remove_reading",
    "remove_triangles",
    "rename",
    "restore",
    "set_role",
    "split_glued",
    "state_size",
    "state_unit",
    "use_candidate",
    "with_picks",
    "with_readings",
    "write_originals",
]
