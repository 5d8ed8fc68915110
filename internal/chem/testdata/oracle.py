"""Prints what the Debian packages python3-iapws and python3-gsw say on a grid, one line of JSON a value.

usage: python3 oracle.py iapws|gsw
Each line: {"what": name, "at": [numbers], "value": number}. Ends with status 3 where the package cannot be imported.
"""
import json
import sys
import warnings

warnings.simplefilter("ignore")


def tell(what, at, value):
    print(json.dumps({"what": what, "at": list(at), "value": float(value)}))


def grid(first, last, step):
    n = int(round((last - first) / step))
    return [first + i * step for i in range(n + 1)]


def iapws():
    from iapws._iapws import _Conductivity, _Henry, _Kw, _Liquid
    from iapws.iapws97 import _PSat_T, _Region1, _Region2, _TSat_P

    for t in grid(0, 370, 2.5):
        tell("psat kPa", [t], 1000 * _PSat_T(t + 273.15))
    for i in range(200):
        p = 0.7 * (22000 / 0.7) ** (i / 199)
        tell("tsat degC", [p], _TSat_P(p / 1000) - 273.15)
    for t in grid(0, 350, 2.5):
        p = _PSat_T(t + 273.15)
        tell("h water kJ/kg", [t], _Region1(t + 273.15, p)["h"])
        tell("rho water kg/m3", [t], 1 / _Region1(t + 273.15, p)["v"])
        tell("h steam kJ/kg", [t], _Region2(t + 273.15, p)["h"])
    for t in grid(0, 200, 12.5):
        for p in (2000, 5000, 20000, 100000):
            tell("h water under pressure kJ/kg", [t, p], _Region1(t + 273.15, p / 1000)["h"])
    for t in grid(0, 100, 1):
        T = t + 273.15
        p = max(0.101325, _PSat_T(T))
        rho = 1 / _Region1(T, p)["v"]
        tell("pKw R11-07", [t], _Kw(rho, T))
        tell("kappa uS/cm", [t], 1e4 * _Conductivity(rho, T))
        tell("viscosity Pa s", [t], _Liquid(T)["mu"])
    for t in grid(50, 99, 1):
        T = t + 273.15
        for p in (0.085, 0.101325, 0.11):
            pw = _PSat_T(T)
            if pw > p:
                continue
            x = 0.20946 * (p - pw) / _Henry(T, "O2")
            tell("oxygen ug/L", [t, 1e4 * p], 1e6 * x / _Region1(T, p)["v"] / 18.015268 * 31.998)


def gsw():
    import gsw as sea

    for t in grid(0, 40, 0.5):
        mol = sea.O2sol_SP_pt(0, t)  # umol/kg in fresh water, moist air of 1 atm
        tell("oxygen ug/L", [t, 1013.25], mol * 31.998 * sea.rho(0, sea.CT_from_pt(0, t), 0) / 1000)


if __name__ == "__main__":
    try:
        {"iapws": iapws, "gsw": gsw}[sys.argv[1]]()
    except ImportError as e:
        print(e, file=sys.stderr)
        sys.exit(3)
