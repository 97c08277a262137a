"""What the program says wherever its work could hurt someone: one list, of which parts are said in places."""

LOCAL_CODES = (
    "Local codes and licensed trades come first: what they forbid or ask for goes before anything this program says."
)
STRENGTH = (
    "A close fit says nothing about hidden cracks or strength. Have the part tested for cracks (dye penetrant or "
    "magnetic particle) before and after the repair."
)
HEAT = (
    "Cast iron cracks when it is heated unevenly or cooled fast. Go by a qualified procedure and an experienced "
    "welder."
)
PRESSURE = (
    "Boilers, steam and anything under pressure: stop, and ask the boiler inspector or the authorised body. The law "
    "may forbid the repair, or ask for a pressure test."
)
LOAD = (
    "Whatever bears a load, lifts, or holds people (hooks, jacks, lifting and climbing gear, ladders), and guards: not "
    "back to work on the word of this program."
)
BRAKES = "Brakes and steering: not back to work on the word of this program, however well the fragments fit."
ENERGY = (
    "Whatever turns or stores energy (wheels, flywheels, pulleys, springs, presses) can burst: not back to work on the "
    "word of this program, and nobody stands in its plane at the first run."
)
MARKS = (
    "Before the crack is ground open for welding, punch gauge marks across it: afterwards the fracture faces are gone."
)
PLASTIC = (
    "A printed copy is for trying the fit. It softens with heat and creeps under load; tack welding wants a metal "
    "fixture."
)
DUST = "Grinding dust harms lungs and eyes: mask, glasses, and air drawn off. Sparks and fine dust can burn."
COATINGS = "Old castings may carry lead paint, asbestos or chromates: have the coating looked at before it is ground."
LASER = "Mind the laser class of the scanner (IEC 60825-1): nobody looks into the beam, nor into its mirror image."

CAUTIONS = (
    LOCAL_CODES, STRENGTH, HEAT, PRESSURE, LOAD, BRAKES, ENERGY, MARKS, PLASTIC, DUST, COATINGS, LASER,
)  # fmt: skip
"""All of them, the law first."""

BEFORE_WELDING = (LOCAL_CODES, MARKS, STRENGTH, HEAT, PRESSURE, LOAD, BRAKES, ENERGY, DUST, COATINGS)
"""What is said beside the fit-up of a joint."""

ON_EVERYTHING_MADE = (LOCAL_CODES, STRENGTH, PRESSURE, LOAD, BRAKES, ENERGY)
"""What is said beside every print, pattern, model and cradle."""
