package stats

import "math"

// studentTwoSided is the chance that |t| of Student's distribution with df degrees of freedom, df at least 1, is t or more:
// the regularised incomplete beta function of df/(df+t^2) with df/2 and 1/2. Source: Abramowitz and Stegun 26.7.1 with
// 26.5.8 as continued fraction (modified Lentz), from memory.
func studentTwoSided(t, df float64) float64 {
	return betaPart(df/(df+t*t), df/2, 0.5)
}

// studentQuantile is the t that a variable of Student's distribution exceeds, to either side, with 5 % chance: the factor
// of a 95 % interval. It is found by halving: the chance falls with t.
func studentQuantile(df float64) (t float64) {
	const chance = 0.05
	low, high := 1.9, 12.8 // 1.96 for very many, 12.706 for one
	for range 60 {
		if t = (low + high) / 2; studentTwoSided(t, df) > chance {
			low = t
		} else {
			high = t
		}
	}
	return t
}

// betaPart is the regularised incomplete beta function I_x(a, b), 0 <= x <= 1.
func betaPart(x, a, b float64) float64 {
	switch {
	case x <= 0:
		return 0
	case x >= 1:
		return 1
	case x > (a+1)/(a+b+2): // the fraction runs fast on the other side only
		return 1 - betaPart(1-x, b, a)
	}
	la, _ := math.Lgamma(a)
	lb, _ := math.Lgamma(b)
	lab, _ := math.Lgamma(a + b)
	front := math.Exp(lab - la - lb + a*math.Log(x) + b*math.Log1p(-x))

	const tiny = 1e-300 // stands in for a zero denominator
	keep := func(v float64) float64 {
		if math.Abs(v) < tiny {
			return tiny
		}
		return v
	}
	c, d := 1.0, 1/keep(1-(a+b)*x/(a+1))
	f := d
	// Some sqrt(max(a, b)) rounds are enough; with a million values that is 1000.
	for m := 1.0; m <= 5000; m++ {
		even := m * (b - m) * x / ((a + 2*m - 1) * (a + 2*m))
		d = 1 / keep(1+even*d)
		c = keep(1 + even/c)
		f *= d * c
		odd := -(a + m) * (a + b + m) * x / ((a + 2*m) * (a + 2*m + 1))
		d = 1 / keep(1+odd*d)
		c = keep(1 + odd/c)
		f *= d * c
		if math.Abs(d*c-1) < 1e-15 {
			break
		}
	}
	return front * f / a
}
