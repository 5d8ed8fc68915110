package cli

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"rillwatch/internal/chem"
	"rillwatch/internal/quantity"
)

// amount is a flag that takes a number with its unit.
type amount struct {
	name  string
	wants []quantity.Quantity
	// side is "(g)" or "(a)" where the flag's own name says which pressure it is: "--barometer '1013 hPa'".
	side string
	v    float64
	unit quantity.Unit
	set  bool
}

// Set reads "120 degF". Where several quantities are possible the unit decides.
func (a *amount) Set(text string) error {
	var refusal error
	for _, q := range a.wants {
		v, u, err := quantity.ParseValue(text, q)
		if errors.Is(err, quantity.ErrAmbiguousUnit) && a.side != "" && q == quantity.Pressure {
			v, u, err = quantity.ParseValue(text+a.side, q)
		}
		if err == nil && a.side != "" && side(u) != "" && side(u) != a.side {
			err = fmt.Errorf("%s is %s, and this is not", u, u.Display())
		}
		if err == nil {
			a.v, a.unit, a.set = v, u, true
			return nil
		}
		if refusal == nil || errors.Is(refusal, quantity.ErrOtherQuantity) && !errors.Is(err, quantity.ErrOtherQuantity) {
			refusal = err
		}
	}
	if len(a.wants) > 1 && (errors.Is(refusal, quantity.ErrOtherQuantity) || errors.Is(refusal, quantity.ErrUnknownUnit) || errors.Is(refusal, quantity.ErrNoUnit)) {
		var others []string
		for _, q := range a.wants[1:] {
			others = append(others, q.String()+" in "+q.Units()[0].Name())
		}
		return fmt.Errorf("%w; or say %s, for example", refusal, strings.Join(others, ", "))
	}
	return refusal
}

func (a *amount) String() string {
	if !a.set {
		return ""
	}
	return inWords(a)
}

func (a *amount) Type() string                      { return "VALUE" }
func (a *amount) flag() string                      { return a.name }
func (a *amount) isSet() bool                       { return a.set }
func (a *amount) written() (value any, unit string) { return a.v, a.unit.Name() }

// is says of what quantity the value is.
func (a *amount) is(q quantity.Quantity) bool { return a.set && a.unit.Quantity() == q }

// amount declares a flag.
func (s *sheet) amount(name, help string, wants ...quantity.Quantity) *amount {
	a := &amount{name: name, wants: wants}
	s.flags.Flags().Var(a, name, help)
	s.given = append(s.given, a)
	return a
}

// fallback gives a flag the value it has where nothing is said, and lets the help tell it.
func (a *amount) fallback(s *sheet, text string) *amount {
	if err := a.Set(text); err != nil {
		panic("water: the default of --" + a.name + ": " + err.Error())
	}
	s.flags.Flags().Lookup(a.name).DefValue = text
	return a
}

// number is a flag that takes a plain number.
type number struct {
	name string
	unit string // as the help says it: "%/K"
	v    float64
	set  bool
}

func (n *number) Set(text string) error {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) || strings.ContainsAny(text, "xX_") {
		return errors.New("write a decimal number")
	}
	n.v, n.set = v, true
	return nil
}

func (n *number) String() string {
	if !n.set {
		return ""
	}
	return strconv.FormatFloat(n.v, 'g', -1, 64)
}

func (n *number) Type() string                      { return "NUMBER" }
func (n *number) flag() string                      { return n.name }
func (n *number) isSet() bool                       { return n.set }
func (n *number) written() (value any, unit string) { return n.v, n.unit }

func (s *sheet) number(name, unit, help string) *number {
	n := &number{name: name, unit: unit}
	s.flags.Flags().Var(n, name, help)
	s.given = append(s.given, n)
	return n
}

// choice is a flag that takes one of a few words.
type choice struct {
	name  string
	words []string
	said  string
}

func (c *choice) Set(text string) error {
	for _, w := range c.words {
		if w == text {
			c.said = text
			return nil
		}
	}
	return fmt.Errorf("takes %s", strings.Join(c.words, ", "))
}

func (c *choice) String() string                    { return c.said }
func (c *choice) Type() string                      { return "NAME" }
func (c *choice) flag() string                      { return c.name }
func (c *choice) isSet() bool                       { return c.said != "" }
func (c *choice) written() (value any, unit string) { return c.said, "" }

// index is the place of the word, counted from 1; 0 where nothing was said.
func (c *choice) index() int {
	for i, w := range c.words {
		if w == c.said {
			return i + 1
		}
	}
	return 0
}

func (s *sheet) choice(name, help string, words ...string) *choice {
	c := &choice{name: name, words: words}
	s.flags.Flags().Var(c, name, help)
	s.given = append(s.given, c)
	return c
}

// mark is a flag that is said or not.
type mark struct {
	name string
	on   bool
}

func (m *mark) flag() string                      { return m.name }
func (m *mark) isSet() bool                       { return m.on }
func (m *mark) written() (value any, unit string) { return m.on, "" }

func (s *sheet) mark(name, help string) *mark {
	m := &mark{name: name}
	s.flags.Flags().BoolVar(&m.on, name, false, help)
	s.given = append(s.given, m)
	return m
}

// unitOf finds a unit of the table that this program itself spells.
func unitOf(q quantity.Quantity, name string) quantity.Unit {
	u, err := quantity.ParseUnit(name, q)
	if err != nil {
		panic("water: " + err.Error())
	}
	return u
}

// in gives a value in a unit of its own quantity, and notes what had to be assumed for that.
func (s *sheet) in(a *amount, name string) (float64, error) {
	to := unitOf(a.unit.Quantity(), name)
	v, assumed, err := quantity.Convert(a.v, a.unit, to)
	if err != nil {
		return 0, s.wrong("--%s: %w", a.name, err)
	}
	s.assume(assumed)
	return v, nil
}

// want is a value in the unit in which an equation takes it, and where to put it.
type want struct {
	a    *amount
	unit string
	to   *float64
}

// inAll is in for several; the first that cannot be had is told.
func (s *sheet) inAll(wants ...want) error {
	for _, w := range wants {
		v, err := s.in(w.a, w.unit)
		if err != nil {
			return err
		}
		*w.to = v
	}
	return nil
}

// air is how the pressure of the air is said.
type air struct{ barometer, altitude *amount }

func (s *sheet) air() air {
	a := air{
		barometer: s.amount("barometer", `pressure of the air at the place, such as "1013 hPa"`, quantity.Pressure),
		altitude:  s.amount("altitude", `or, without a barometer, the height above the sea`, quantity.Length),
	}
	a.barometer.side = "(a)"
	return a
}

func (a air) said() bool { return a.barometer.set || a.altitude.set }

// pressure is that of the air, in hPa. Sea level is not assumed.
func (a air) pressure(s *sheet) (hPa float64, err error) {
	switch {
	case a.barometer.set && a.altitude.set:
		return 0, s.wrong("say --barometer or --altitude, not both")
	case a.barometer.set:
		return s.in(a.barometer, "hPa(a)")
	case !a.altitude.set:
		return 0, s.wrong("%w: say --barometer or --altitude", chem.ErrNoPressure)
	}
	m, err := s.in(a.altitude, "m")
	if err != nil {
		return 0, err
	}
	hPa, err = chem.AltitudePressure(m)
	if err != nil {
		return 0, err
	}
	s.tell(figure{key: "pressure_of_the_air", name: "pressure of the air", value: hPa, unit: unitOf(quantity.Pressure, "hPa(a)"), from: byAtmosphere})
	return hPa, nil
}

// absolute is a pressure in kPa above vacuum: as written, or the gauge's with the air added.
func (s *sheet) absolute(p *amount, a air) (kPa float64, err error) {
	if side(p.unit) == "(a)" {
		return s.in(p, "kPa(a)")
	}
	if !a.said() {
		return 0, s.wrong("--%s is gauge pressure: say --barometer or --altitude too", p.name)
	}
	hPa, err := a.pressure(s)
	if err != nil {
		return 0, err
	}
	gauge, err := s.in(p, "kPa(g)")
	if err != nil {
		return 0, err
	}
	return gauge + hPa/10, nil
}

// oxygen is a content of oxygen in ug/L, also where it was said as gas: the cc/L of deaerator guarantees.
func (s *sheet) oxygen(a *amount) (ug_L float64, err error) {
	if !a.is(quantity.OxygenGas) {
		return s.in(a, "ug/L")
	}
	mL_L, err := s.in(a, "mL/L")
	if err != nil {
		return 0, err
	}
	return chem.OxygenFromVolume(mL_L)
}

// siemens is a conductivity in uS/cm, also where it was said as a resistivity.
func (s *sheet) siemens(a *amount) (uS_cm float64, err error) {
	if !a.is(quantity.Resistivity) {
		return s.in(a, "uS/cm")
	}
	rho, err := s.in(a, "MOhm.cm")
	if err != nil {
		return 0, err
	}
	if rho <= 0 {
		return 0, fmt.Errorf("--%s %v MOhm.cm: %w", a.name, rho, chem.ErrNotPositive)
	}
	return 1 / rho, nil
}
