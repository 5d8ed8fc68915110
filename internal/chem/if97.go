package chem

import "math"

// IAPWS-IF97: "Revised Release on the IAPWS Industrial Formulation 1997 for the Thermodynamic Properties of Water and
// Steam", IAPWS R7-97(2012): regions 1 (water) and 2 (steam) for enthalpy and volume, region 4 for saturation. The
// coefficients were read in the source of python3-iapws 1.5.3 (Debian), its tables 2, 10, 11 and 34; the tests hold them
// against the release's own verification values.

// gasConstant of water in IF97, kJ/(kg K), equation 1 of the release.
const gasConstant = 0.461526

// term is n * a^i * b^j.
type term struct {
	i, j int
	n    float64
}

// power is x^n. It needs no care at x = 0: no exponent below zero meets a base that can be zero.
func power(x float64, n int) float64 { return math.Pow(x, float64(n)) }

// if97Water gives the enthalpy, kJ/kg, and the density, kg/m3, of water at T in K and p in MPa: region 1, equation 7.
// Region 1 is 273.15 to 623.15 K, from the saturation pressure to 100 MPa; the callers see to that.
func if97Water(T, p float64) (h_kJ_kg, rho_kg_m3 float64) {
	a, b := 7.1-p/16.53, 1386/T-1.222
	var gp, gt float64
	for _, c := range region1 {
		if c.i != 0 {
			gp -= c.n * float64(c.i) * power(a, c.i-1) * power(b, c.j)
		}
		if c.j != 0 {
			gt += c.n * power(a, c.i) * float64(c.j) * power(b, c.j-1)
		}
	}
	volume := p / 16.53 * gp * gasConstant * T / p / 1000 // m3/kg; R in kJ, p in MPa
	return 1386 * gt * gasConstant, 1 / volume
}

// if97Steam gives the enthalpy of steam in kJ/kg at T in K and p in MPa: region 2, equations 15 to 17. Here it is used at
// saturation, up to 623.15 K.
func if97Steam(T, p float64) (h_kJ_kg float64) {
	tau := 540 / T
	var gt float64
	for _, c := range region2Ideal {
		if c.j != 0 {
			gt += c.n * float64(c.j) * power(tau, c.j-1)
		}
	}
	for _, c := range region2 {
		if c.j != 0 {
			gt += c.n * power(p, c.i) * float64(c.j) * power(tau-0.5, c.j-1)
		}
	}
	return 540 * gt * gasConstant
}

// region4 are n1 to n10 of the saturation equation, table 34 of the release.
var region4 = [...]float64{0: 0, 1: 0.11670521452767e4, 2: -0.72421316703206e6, 3: -0.17073846940092e2,
	4: 0.12020824702470e5, 5: -0.32325550322333e7, 6: 0.14915108613530e2, 7: -0.48232657361591e4,
	8: 0.40511340542057e6, 9: -0.23855557567849, 10: 0.65017534844798e3}

// if97Saturation is the saturation pressure in MPa at T in K: equation 30, 273.15 to 647.096 K.
func if97Saturation(T float64) (MPa float64) {
	n := &region4
	v := T + n[9]/(T-n[10])
	a := v*v + n[1]*v + n[2]
	b := n[3]*v*v + n[4]*v + n[5]
	c := n[6]*v*v + n[7]*v + n[8]
	return math.Pow(2*c/(-b+math.Sqrt(b*b-4*a*c)), 4)
}

// if97Boiling is the saturation temperature in K at p in MPa: equation 31, 611.213 Pa to 22.064 MPa.
func if97Boiling(p float64) (T float64) {
	n := &region4
	beta := math.Pow(p, 0.25)
	e := beta*beta + n[3]*beta + n[6]
	f := n[1]*beta*beta + n[4]*beta + n[7]
	g := n[2]*beta*beta + n[5]*beta + n[8]
	d := 2 * g / (-f - math.Sqrt(f*f-4*e*g))
	return (n[10] + d - math.Sqrt((n[10]+d)*(n[10]+d)-4*(n[9]+n[10]*d))) / 2
}

// region1 is table 2 of the release.
var region1 = []term{
	{0, -2, 1.4632971213167e-1}, {0, -1, -8.4548187169114e-1}, {0, 0, -3.756360367204}, {0, 1, 3.3855169168385},
	{0, 2, -9.5791963387872e-1}, {0, 3, 1.5772038513228e-1}, {0, 4, -1.6616417199501e-2}, {0, 5, 8.1214629983568e-4},
	{1, -9, 2.8319080123804e-4}, {1, -7, -6.0706301565874e-4}, {1, -1, -1.8990068218419e-2}, {1, 0, -3.2529748770505e-2},
	{1, 1, -2.1841717175414e-2}, {1, 3, -5.283835796993e-5}, {2, -3, -4.7184321073267e-4}, {2, 0, -3.0001780793026e-4},
	{2, 1, 4.7661393906987e-5}, {2, 3, -4.4141845330846e-6}, {2, 17, -7.2694996297594e-16}, {3, -4, -3.1679644845054e-5},
	{3, 0, -2.8270797985312e-6}, {3, 6, -8.5205128120103e-10}, {4, -5, -2.2425281908e-6}, {4, -2, -6.5171222895601e-7},
	{4, 10, -1.4341729937924e-13}, {5, -8, -4.0516996860117e-7}, {8, -11, -1.2734301741641e-9},
	{8, -6, -1.7424871230634e-10}, {21, -29, -6.8762131295531e-19}, {23, -31, 1.4478307828521e-20},
	{29, -38, 2.6335781662795e-23}, {30, -39, -1.1947622640071e-23}, {31, -40, 1.8228094581404e-24},
	{32, -41, -9.3537087292458e-26},
}

// region2Ideal is table 10, region2 table 11 of the release.
var region2Ideal = []term{
	{0, 0, -9.6927686500217}, {0, 1, 1.0086655968018e1}, {0, -5, -5.608791128302e-3}, {0, -4, 7.1452738081455e-2},
	{0, -3, -4.0710498223928e-1}, {0, -2, 1.4240819171444}, {0, -1, -4.383951131945}, {0, 2, -2.8408632460772e-1},
	{0, 3, 2.1268463753307e-2},
}

var region2 = []term{
	{1, 0, -1.7731742473213e-3}, {1, 1, -1.7834862292358e-2}, {1, 2, -4.5996013696365e-2}, {1, 3, -5.7581259083432e-2},
	{1, 6, -5.032527872793e-2}, {2, 1, -3.3032641670203e-5}, {2, 2, -1.8948987516315e-4}, {2, 4, -3.9392777243355e-3},
	{2, 7, -4.3797295650573e-2}, {2, 36, -2.6674547914087e-5}, {3, 0, 2.0481737692309e-8}, {3, 1, 4.3870667284435e-7},
	{3, 3, -3.227767723857e-5}, {3, 6, -1.5033924542148e-3}, {3, 35, -4.0668253562649e-2}, {4, 1, -7.8847309559367e-10},
	{4, 2, 1.2790717852285e-8}, {4, 3, 4.8225372718507e-7}, {5, 7, 2.2922076337661e-6}, {6, 3, -1.6714766451061e-11},
	{6, 16, -2.1171472321355e-3}, {6, 35, -2.3895741934104e1}, {7, 0, -5.905956432427e-18}, {7, 11, -1.2621808899101e-6},
	{7, 25, -3.8946842435739e-2}, {8, 8, 1.1256211360459e-11}, {8, 36, -8.2311340897998}, {9, 13, 1.9809712802088e-8},
	{10, 4, 1.0406965210174e-19}, {10, 10, -1.0234747095929e-13}, {10, 14, -1.0018179379511e-9},
	{16, 29, -8.0882908646985e-11}, {16, 50, 1.0693031879409e-1}, {18, 57, -3.3662250574171e-1},
	{20, 20, 8.9185845355421e-25}, {20, 35, 3.0629316876232e-13}, {20, 48, -4.2002467698208e-6},
	{21, 21, -5.9056029685639e-26}, {22, 53, 3.7826947613457e-6}, {23, 39, -1.2768608934681e-15},
	{24, 26, 7.3087610595061e-29}, {24, 40, 5.5414715350778e-17}, {24, 58, -9.436970724121e-7},
}
