"""Prints what the Debian package python3-pint makes of pairs of units.

usage: python3 oracle.py < PAIRS
Each line of PAIRS is a JSON list: [number, unit, unit] as pint spells them; each line of the answer one number with every
digit. Ends with status 3 where pint cannot be imported.
"""
import json
import sys
import warnings

warnings.simplefilter("ignore")
try:
    import pint
except ImportError as e:
    print(e, file=sys.stderr)
    sys.exit(3)

registry = pint.UnitRegistry()
known = {}


def unit(name):
    if name not in known:
        known[name] = registry.parse_expression(name)
    return known[name]


for line in sys.stdin:
    v, a, b = json.loads(line)
    if a in ("degC", "degF", "kelvin"):  # not multiplied: these have a zero of their own
        print(repr(float(registry.Quantity(v, a).to(b).magnitude)))
    else:
        print(repr(float((registry.Quantity(v, "") * unit(a) / unit(b)).to("").magnitude)))
