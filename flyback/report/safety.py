"""The cautions that stand at the foot of every report."""

CAUTIONS = (
    "An open mains adapter can kill. Unplug it, wait, and measure the capacitors before touching anything.",
    "Most values here can be had unpowered. Live work is for competent people only, with an isolation "
    "transformer and a suitable probe.",
    "A power verdict is not a safety verdict, and an estimate is not a certification. Check limits in the "
    "standard itself; local codes and licensed practice rule.",
    "Do not modify a mains product and return it to service.",
)
