"""What the program says wherever its work could hurt someone."""

CAUTIONS = (
    "A close fit says nothing about hidden cracks or strength. Have the part tested for cracks (dye penetrant or "
    "magnetic particle) before and after the repair.",
    "Cast iron cracks when it is heated unevenly or cooled fast. Go by a qualified procedure and an experienced "
    "welder.",
    "Boilers, steam and anything under pressure: stop, and ask the boiler inspector or the authorised body. The law "
    "may forbid the repair, or ask for a pressure test.",
    "Brakes, steering, lifting and climbing gear, guards, and whatever turns or stores energy (wheels, flywheels, "
    "pulleys, springs, presses): do not put them back to work on the word of this program.",
    "Before the crack is ground open for welding, punch gauge marks across it: afterwards the fracture faces are gone.",
    "A printed copy is for trying the fit. It softens with heat and creeps under load; tack welding wants a metal "
    "fixture.",
    "Mind the laser class of the scanner (IEC 60825-1), grinding dust, and lead paint or asbestos on old castings.",
    "Local codes and licensed trades come first.",
)
