package cli

// Where the figures of the water command come from: what package chem says beside each equation, in a line for a person.
var (
	byDefinition = source{by: "definition"}
	byGiven      = source{by: "as given"}
	byWall       = source{by: "definition: outer diameter less twice the wall"}
	byAtmosphere = source{by: "International Standard Atmosphere (ISO 2533)", valid: "-500 to 5000 m", within: "the altitude stands in for a barometer: the weather moves it by some 3 % to either side"}

	byBensonKrause = source{by: "Benson and Krause, Limnol. Oceanogr. 29 (1984) 620, as in Standard Methods 4500-O and the USGS tables",
		valid: "0 to 40 degC, 506.6 to 1114.6 hPa, fresh water, moist air", within: "0.1 %"}
	byBlend = source{by: "straight line from Benson and Krause 1984 at 40 degC to Henry's constant of IAPWS G7-04 at 50 degC",
		valid: "40 to 50 degC, 506.6 to 1114.6 hPa", within: "1 to 1.5 %"}
	byHenry = source{by: "Henry's constant of IAPWS G7-04, with vapour pressure and density of IAPWS-IF97",
		valid: "50 degC to the boiling point, 506.6 to 1114.6 hPa", within: "1.5 % to 75 degC, 3 % to 90 degC; above 90 degC nobody states one: trust it to 90 degC"}
	byOxygenGas = source{by: "1.42905 mg of oxygen in a mL of the gas at 0 degC and 1013.25 hPa: USGS memo 2011.03",
		valid: "0 to 100 mg/L"}
	byDalton = source{by: "0.20946 of dry air is oxygen; vapour pressure by IAPWS-IF97 region 4", valid: "as the solubility it comes from"}

	byGuideline = source{by: "IAPWS guideline on the electrolytic conductivity of water (1990), after Marshall 1987, ion product of Marshall and Franck 1981",
		valid: "0 to 100 degC", within: "independent routes differ by 0.4 % at 25 degC, up to 5 % elsewhere"}
	byIonProduct = source{by: "IAPWS R11-24, ion product of water", valid: "0 to 100 degC", within: "below 100 degC within 0.002 of R11-07"}
	byFloor      = source{by: "the lower of two routes to pure water (IAPWS 1990, PHREEQC), less 1 % for a trace of base and 2 % for the cell",
		valid: "0 to 100 degC, ultrapure to 80 degC"}

	byLinear = source{by: "straight line, kappa / (1 + slope (t - 25)): IEC 60746-3, ASTM D1125; the slope is the plant's choice",
		valid: "0 to 100 degC, 1 to 3 %/K, not for nearly pure water"}
	byNatural = source{by: "rule of ISO 7888 / EN 27888 for natural water, as the 0.93th power of the viscosity (IAPWS SR6-08)",
		valid: "0 to 35.9 degC, sensible from 60 to 1000 uS/cm", within: "0.25 % of the table of the standard; waters differ by 1 %"}
	bySaltTrace = source{by: "pure water (IAPWS 1990) and a trace of NaCl (PHREEQC) each brought to 25 degC, the idea of IEC 60746-3",
		valid: "0 to 80 degC, up to 50 uS/cm, neutral salt: not behind a cation exchanger, not with ammonia"}

	byAmmonia = source{by: "charge balance, pKw 13.995 (CRC Handbook), pKa 9.245 (Bates and Pinching), Onsager's law",
		valid: "0 to 10 000 ug/kg at 25 degC, no carbon dioxide, no salt", within: "0.002 in pH and 0.25 % in conductivity of PHREEQC"}
	byCation = source{by: "charge balance of hydrochloric acid, limiting conductances of the CRC Handbook, pKw 13.995",
		valid: "0 to 200 ug/kg at 25 degC", within: "0.1 % at 200 ug/kg for the ionic strength left out"}

	byNernst  = source{by: "ln(10) R T / F, CODATA constants", valid: "0 to 100 degC"}
	byBuffers = source{by: "NIST primary standards (CRC Handbook); commercial 4.01 / 7.00 / 10.01 buffers are other solutions",
		valid: "0 to 95 degC, carbonate to 50 degC", within: "about 0.003"}
	byZoBell      = source{by: "428 - 2.2 (t - 25) mV, as table 2580:I of Standard Methods", valid: "1 to 30 degC", within: "10 mV"}
	byQuinhydrone = source{by: "699.8 - 0.736 (t - 25) mV less the slope times the pH of the buffer", valid: "20 to 30 degC", within: "10 mV"}
	byReferences  = source{by: "handbook table of reference electrodes, rows 5 K apart", valid: "15 to 35 degC", within: "5 mV: handbooks differ by 3"}

	byReaction = source{by: "the reaction with oxygen and IUPAC atomic weights, 100 % active", valid: "0 to 100 mg/L of oxygen"}
	byFeed     = source{by: "mass balance: ratio x oxygen + residual / cycles", valid: "residual 0 to 1000 mg/L, cycles 1 to 1000"}
	byWeights  = source{by: "IUPAC atomic weights: 1 as SO3 is 1.5743 as Na2SO3"}

	byUFC  = source{by: "mass balance, UFC 3-240-13FN equations 5 to 8", valid: "cycles 1.01 to 1000"}
	byTip9 = source{by: "US DOE Steam Tip 9, with IAPWS-IF97: blowdown leaves as boiling water; flash steam and recovered heat not taken off",
		valid: "cycles 1.01 to 1000, boiler 50.7 to 16 500 kPa absolute, make-up 0 to 100 degC, efficiency 10 to 110 %, up to ten years"}
	byMixed = source{by: "mass balance of a mixed vessel: -ln(0.05), just under 3, times the water over the blowdown; within 5 % of the end",
		valid: "water 1 to 10 000 000 kg, blowdown 0.001 to 10 000 000 kg/h"}
	byDose = source{by: "mass balance", valid: "tracer 0.01 to 1 000 000 ug/kg, share 0.0001 to 100 %, no more product than feedwater"}
	byPKa  = source{by: "pKa of fluorescein, about 6.4 (from memory)", valid: "pH 0 to 14"}

	byRegion4 = source{by: "IAPWS-IF97 region 4", valid: "0 to 373.946 degC, 0.611213 to 22 064 kPa absolute", within: "0.025 % of IAPWS-95 in pressure"}
	byRegions = source{by: "IAPWS-IF97 regions 1 and 2 on the saturation line", valid: "0 to 350 degC"}
	byFlash   = source{by: "heat kept: (h of water before - after) / heat of evaporation after, IAPWS-IF97", valid: "up to 16 500 kPa absolute"}
	byUFC1K   = source{by: "UFC 3-240-13FN: within 1 K (2 degF) of saturation"}

	byPlug     = source{by: "definition: a plug through the line", valid: "bore 0.1 to 50 mm, up to 1000 m, 0.01 to 100 000 mL/min"}
	byReynolds = source{by: "definition, viscosity of IAPWS SR6-08, density of IAPWS-IF97; laminar below 2300, turbulent above 4000 (textbook)", valid: "0 to 100 degC"}
	byLaminar  = source{by: "laminar flow without mixing across: 1 - 1/(4 volumes^2) is new", valid: "up to 99.99 %"}
	byCell     = source{by: "stirred cell: 1 - exp(-volumes) is new", valid: "up to 99.99 %"}

	byPaired = source{by: "paired t test (\"Student\" 1908; NIST/SEMATECH e-Handbook 7.2.2.1 on the differences)",
		valid: "2 checks or more, independent of each other, of normal scatter", within: "95 % interval"}
	byLeastSquares = source{by: "least squares, held against NIST StRD Norris", valid: "3 checks or more, independent of each other, of normal scatter", within: "95 % interval"}
	byIndividuals  = source{by: "mean and mean moving range / 1.128 of the baseline: NIST/SEMATECH e-Handbook 6.3.2.2", valid: "15 checks or more (ASTM D6299 practice, from memory)"}
	byEWMA         = source{by: "NIST/SEMATECH e-Handbook 6.3.2.4 (Roberts 1959)", valid: "independent checks, normal scatter; lambda 0 to 1, width up to 10 sigmas",
		within: "with 0.4 and 3.054 sigmas a false signal once in some 500 checks"}
	byCUSUM = source{by: "NIST/SEMATECH e-Handbook 6.3.2.3 (Page 1954)", valid: "independent checks, normal scatter",
		within: "with 0.5 and 4.77 sigmas a false signal once in some 370 checks, to either side"}
)
