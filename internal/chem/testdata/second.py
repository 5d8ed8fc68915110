"""A second opinion on every function of package chem, one line of JSON a value, named as the function is.

usage: python3 second.py
Written apart from the Go code: what inverts there on a formula is searched here by halving, reactions are balanced from
their formulas, water and steam come from Debian's python3-iapws, and tables from the published points beside this file.
Each line: {"what": name, "at": [numbers], "value": number}. Ends with status 3 where iapws cannot be imported.
"""
import csv
import json
import math
import os
import re
import sys
import warnings
from fractions import Fraction

warnings.simplefilter("ignore")
try:
    from iapws._iapws import _Kw, _Viscosity
    from iapws.iapws97 import _PSat_T, _Region1, _Region2, _TSat_P
except ImportError as e:
    print(e, file=sys.stderr)
    sys.exit(3)

HERE = os.path.dirname(os.path.abspath(__file__))


def tell(what, at, value):
    print(json.dumps({"what": what, "at": [float(a) for a in at], "value": float(value)}))


def table(name):
    with open(os.path.join(HERE, name)) as f:
        return list(csv.DictReader(line for line in f if not line.startswith("#")))


def search(f, low, high, want):
    """Where f, which rises, is want."""
    for _ in range(200):
        mid = (low + high) / 2
        low, high = (mid, high) if f(mid) < want else (low, mid)
    return high


# Oxygen: Benson and Krause 1984 as in Standard Methods 4500-O, factor for pressure of USGS memo 2011.03; only to 40 degC here.
def solubility(t, hPa):
    T, p = t + 273.15, hPa / 1013.25
    star = sum(c / T**n for n, c in enumerate((-139.34411, 1.575701e5, -6.642308e7, 1.2438e10, -8.621949e11)))
    pw = math.exp(11.8571 - 3840.70 / T - 216961 / T**2)
    th = 0.000975 - 1.426e-5 * t + 6.436e-8 * t**2
    return 1000 * math.exp(star) * p * ((1 - pw / p) * (1 - th * p)) / ((1 - pw) * (1 - th))


def oxygen():
    for row in table("oxygen_solubility.csv"):
        tell("OxygenSolubility", [row["t_C"], float(row["P_mmHg"]) * 1013.25 / 760], 1000 * float(row["DO_mg_per_L"]))
    for t, hPa in ((0.5, 1013.25), (10, 900), (20, 1013.25), (25, 834.28), (33, 1050), (40, 700)):
        air = 0.20946 * (hPa - 1e4 * _PSat_T(t + 273.15))
        for ug in (0.5, 7, 43, 8000):
            tell("OxygenPercentSaturation", [ug, t, hPa], ug / solubility(t, hPa) * 100)
            tell("OxygenPartialPressure", [ug, t, hPa], ug / solubility(t, hPa) * air)
        for percent in (0.1, 95, 200):
            tell("OxygenFromPercentSaturation", [percent, t, hPa], solubility(t, hPa) * percent / 100)
            tell("OxygenFromPartialPressure", [percent, t, hPa], solubility(t, hPa) * percent / air)
    for mL in (0, 0.003, 0.005, 0.03, 1, 6):
        tell("OxygenFromVolume", [mL], mL * 1429.05)
        tell("OxygenVolume", [mL * 1429.05], mL)
    # The standard atmosphere by its tables: geopotential heights in ISO 2533 (from memory to the digit shown) and by the
    # usual short form of the same polytrope.
    for h in (-200, 0, 500, 1000, 1609.344, 3000, 4800):
        tell("AltitudePressure", [h], 1013.25 * (1 - 2.25577e-5 * h) ** 5.25588)


# Limiting conductances, CRC Handbook.
H, OH, NH4, CL, RHO, PKW = 349.65, 198.0, 73.5, 76.31, 0.99705, 13.995


def acid(chloride):
    """Charge balance of hydrochloric acid: [H] = [OH] + [Cl], searched."""
    c, kw = chloride / 35.45e6, 10**-PKW
    h = search(lambda h: h - kw / h - c, 1e-9, 1e-3, 0)
    return 1000 * RHO * (H * h + OH * kw / h + CL * c)


def ions():
    for row in table("ammonia_water.csv"):
        if row["SC25_PHREEQC_uS_cm"]:
            ug, kappa, pH = (float(row[k]) for k in ("NH3_ug_per_kg", "SC25_PHREEQC_uS_cm", "pH25_PHREEQC"))
            tell("WaterWithAmmonia.PH", [ug], pH)
            tell("WaterWithAmmonia.Conductivity", [ug], kappa)
            if ug >= 20:
                tell("AmmoniaFromPH.Conductivity", [pH], kappa)
    for row in table("ammonia_from_conductivity.csv"):
        tell("AmmoniaFromConductivity.PH", [row["SC25_uS_cm"]], row["pH_NH3_only"])
    for cl in (0, 0.5, 1, 3, 10, 20, 57, 100, 200):
        tell("CationConductivityFromChloride", [cl], acid(cl))
        if cl > 0:
            tell("ChlorideFromCationConductivity", [acid(cl)], cl)


def conductivity():
    for t in (0, 5, 18, 25, 40, 60, 90, 100):
        for slope in (1, 1.92, 2, 3):
            k25 = Fraction(250) / (1 + Fraction(str(slope)) * (t - 25) / 100)
            tell("CompensateLinear", [250, t, slope], k25)
            tell("UncompensateLinear", [k25, t, slope], 250)
    # What natural water does is the viscosity's doing: IAPWS R12-08, the long equation, at 0.1 MPa.
    def eta(t):
        return _Viscosity(1 / _Region1(t + 273.15, 0.101325)["v"], t + 273.15)
    for t in (0, 4, 10, 15, 20, 25, 30, 35):
        f = math.exp(0.93 * math.log(eta(t) / eta(25)))
        tell("NaturalWaterFactor", [t], f)
        tell("CompensateNatural", [500, t], 500 * f)
    for row in table("salt_trace.csv"):
        true, t, raw = (float(row[k]) for k in ("kappa_25_true_uS_cm", "t_C", "kappa_t_raw_uS_cm"))
        tell("CompensateSaltTrace", [raw, t], true)
        tell("UncompensateSaltTrace", [true, t], raw)
    for kappa in (0.055, 0.1, 1, 7, 1413, 111342):
        tell("ResistivityFromConductivity", [kappa], 1 / Fraction(str(kappa)))


def pure():
    for t in (0, 10, 25, 37, 50, 75, 100):
        T = t + 273.15
        pKw = _Kw(1 / _Region1(T, max(0.101325, _PSat_T(T)))["v"], T)  # R11-07
        tell("WaterIonProduct", [t], pKw)
        tell("NeutralPH", [t], pKw / 2)
    for row in table("pure_water_conductivity.csv"):
        tell("PureWaterConductivity", [row["t_C"]], row["kappa_uS_cm"])
        tell("PureWaterResistivity", [row["t_C"]], row["resistivity_MOhm_cm"])
    for row in table("pure_water_second_route.csv"):  # the floor is for a perfect cell; 2 % for a sound one
        t, floor = float(row["t_C"]), 0.98 * float(row["suggested_floor_uncompensated_uS_cm"])
        tell("LowestConductivity", [t, 1, 0], floor)
        tell("LowestConductivity", [t, 2, 2], floor / (1 + 0.02 * (t - 25)))
        tell("ImpossibleConductivity", [0.02, t, 1], 0.02 < floor)
        tell("ImpossibleConductivity", [0.05, t, 1], 0.05 < floor)


def electrodes():
    for t in (0, 10, 20, 25, 37, 50, 80, 100):
        tell("NernstSlope", [t], math.log(10) * 1.380649e-23 * (t + 273.15) / 1.602176634e-19 * 1000)  # k/e for R/F
    names = ("phthalate_0.05m", "equimolal_phosphate_0.025m", "borax_0.01m", "carbonate_0.025m")
    for row in table("buffers.csv"):
        for i, name in enumerate(names):
            if row[name] and float(row["t_C"]) <= (50 if i == 3 else 95):
                tell("BufferPH", [i + 1, row["t_C"]], row[name])
    offset = {}
    for row in table("orp.csv"):
        t = float(row["t_C"])
        if row["ZoBell_SM2580_table"]:
            tell("ORPStandardPotential", [1, t], row["ZoBell_SM2580_table"])
        for i, name in ((2, "AgAgCl_3.5M_KCl"), (3, "AgAgCl_sat_KCl"), (4, "calomel_sat_KCl")):
            if row[name] and 15 <= t <= 35:
                offset[i, t] = float(row[name])
                tell("ReferenceOffset", [i, t], row[name])
    for (i, t), one in offset.items():
        for (k, u), other in offset.items():
            if t == u:
                tell("ORPAgainst", [-137.5, i, k, t], -137.5 + one - other)
    for t, phthalate, phosphate in ((20, 470.7, 303.2), (25, 462.8, 293.6), (30, 454.8, 283.9)):  # E0 less slope times pH, by hand
        tell("ORPStandardPotential", [2, t], phthalate)
        tell("ORPStandardPotential", [3, t], phosphate)


# Scavengers from their formulas and the oxygen that the reaction takes; weights of IUPAC, abridged.
WEIGHT = {"H": 1.008, "C": 12.011, "N": 14.007, "O": 15.999, "Na": 22.990, "S": 32.06}


def weight(formula):
    return sum(WEIGHT[e] * int(n or 1) for e, n in re.findall(r"([A-Z][a-z]?)(\d*)", formula))


# number of chem.Scavenger, formula, molecules to how many of oxygen
SCAVENGERS = ((1, "Na2SO3", 2, 1), (2, "SO3", 2, 1), (3, "NaHSO3", 2, 1), (4, "Na2S2O5", 1, 1), (5, "N2H4", 1, 1),
              (6, "C4H11NO", 4, 9), (7, "C6H8O6", 2, 1), (8, "CH6N4O", 1, 2))


def scavengers():
    for i, formula, n, o in SCAVENGERS:
        ratio = n * weight(formula) / (o * weight("O2"))
        tell("ScavengerRatio", [i], ratio)
        for ug in (7, 8000):
            tell("ScavengerDemand", [i, ug], ratio * ug / 1000)
            for residual, cycles in ((30, 20), (20, 50)):
                if i not in (5, 6, 8):  # those leave with the steam
                    tell("ScavengerFeed", [i, ug, residual, cycles], ratio * ug / 1000 + residual / cycles)
    for so3 in (0.1, 20, 30, 40, 635):
        na = so3 * weight("Na2SO3") / weight("SO3")
        tell("SodiumSulfiteFromSO3", [so3], na)
        tell("SO3FromSodiumSulfite", [na], so3)


def boiler():
    for b, f in ((5000, 250), (3000, 97), (100, 100), (1234, 5.6), (900, 1)):
        for name in ("Conductivity", "Chloride", "Tracer"):
            tell("CyclesFrom" + name, [b, f], Fraction(b) / Fraction(str(f)))
    for n in (Fraction(3, 2), Fraction(5), Fraction(20), Fraction(63), Fraction(800)):
        steam = 40000
        tell("BlowdownFromCycles.OfFeedwater", [n], 100 / n)
        tell("BlowdownFromCycles.OfSteam", [n], 100 / (n - 1))
        tell("CyclesFromBlowdownOfFeedwater", [100 / n], n)
        tell("CyclesFromBlowdownOfSteam", [100 / (n - 1)], n)
        # feed brings in what blowdown takes out: f = n b and f = steam + b
        b = search(lambda b: n * b - (steam + b), 0, 1e7, 0)
        tell("WaterBalance.Blowdown", [steam, n], b)
        tell("WaterBalance.Feedwater", [steam, n], steam + b)
        tell("MakeUp", [steam + b, 30316], steam + b - 30316)
        tell("BoilerSettling", [20000, b], math.log(20) * 20000 / b)
        tell("ProductFromPump", [n, 50000], n / 50000 * 10**6)
        tell("ProductFromTracer", [n, 0.1], n / Fraction(1, 1000) / 1000)
        tell("FuelForHeat", [1.7 * 0.5 * 8000, 60 + n / 100], 6800 / (Fraction(60 + n / 100) / 100))
    for pH in (0, 5, 7.4, 7.5, 9, 14):
        tell("TracerReadsLow", [pH], pH < 7.5)
    for kPa, t, before, after in ((1135.5, 15.556, 12.5, 50 / 3), (1100, 20, 10, 30), (500, 5, 30, 10), (4000, 90, 20, 40), (200, 60, 5, 6)):
        T = _TSat_P(kPa / 1000)
        h = _Region1(T, kPa / 1000)["h"] - _Region1(t + 273.15, 0.101325)["h"]
        water = (50000 / (before - 1) - 50000 / (after - 1)) * 8000
        tell("SavingFromCycles", [50000, before, after, kPa, t], water * h / 1000 / 0.8)


def steam():
    for t in (0.01, 25, 100, 150.5, 250, 340):
        T = t + 273.15
        p = _PSat_T(T)
        tell("SaturationPressure", [t], 1000 * p)
        tell("SaturationTemperature", [1000 * p], t)
        tell("SaturatedWaterEnthalpy", [t], _Region1(T, p)["h"])
        tell("SaturatedWaterDensity", [t], 1 / _Region1(T, p)["v"])
        tell("SaturatedSteamEnthalpy", [t], _Region2(T, p)["h"])
        tell("WaterEnthalpy", [t, 1000 * p + 50], _Region1(T, p + 0.05)["h"])
    for kPa, to in ((204.7, 101.325), (790.8, 101.325), (1135.5, 101.325), (4238, 200), (16000, 600)):
        hot, cool = _TSat_P(kPa / 1000), _TSat_P(to / 1000)
        f, left, vapour = _Region1(hot, kPa / 1000)["h"], _Region1(cool, to / 1000)["h"], _Region2(cool, to / 1000)["h"]
        tell("FlashShare", [kPa, to], 100 * (f - left) / (vapour - left))
    for psig, hPa, t, wrong in ((3, 1013.25, 104, 0.02), (5, 834.3, 103, 0.02), (10, 1000, 112, 0.05), (15, 843, 118, 0.01), (0, 1030, 99, 0)):
        bar = psig * 0.0689475729
        boils = _TSat_P((hPa / 10 + 100 * bar) / 1000) - 273.15
        tell("DeaeratorApproach.Below", [t, bar, hPa, wrong], boils - t)
        tell("DeaeratorApproach.GaugeShare", [t, bar, hPa, wrong], boils + 273.15 - _TSat_P((hPa / 10 + 100 * (bar - wrong)) / 1000))


def line():
    for d, m in ((4.572, 10), (4.572, 1), (1.5, 30), (10.9, 4), (6, 100)):
        area = math.pi * (d / 2) ** 2  # mm2
        tell("LineVolume", [d, m], area * m)
        for q in (50, 250, 1801):
            tell("LeadTime", [area * m, q], area * m / q * 60)
            tell("Velocity", [q, d], q / 60 / area)
            T = 25 + 273.15
            rho = 1 / _Region1(T, 0.101325)["v"]
            tell("Reynolds", [q, d, 25], q / 60 / area * d / 1000 * rho / _Viscosity(rho, T))
    # Laminar: the profile summed in rings, none of which mixes with the next; new is what has come the whole way.
    for n in (0.25, 0.6, 1, 2, 3, 5):
        rings = 20000
        new = 0
        for i in range(rings):
            r2 = (i + 0.5) / rings  # rings of equal area
            v = 2 * (1 - r2)
            if v * n >= 1:
                new += v / rings
        tell("FlushedLaminar", [n], new)
        tell("FlushedMixed", [n], 1 - math.exp(-n))
    for part in (0, 0.5, 0.75, 0.95, 0.99, 0.999):
        tell("VolumesToFlushLaminar", [part], search(lambda n: 1 - 1 / (4 * n * n), 0.4, 1000, part) if part else 0.5)
        tell("VolumesToFlushMixed", [part], search(lambda n: 1 - math.exp(-n), 0, 1000, part))


for part in (oxygen, ions, conductivity, pure, electrodes, scavengers, boiler, steam, line):
    part()
