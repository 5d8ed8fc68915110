// Package quantity names what a number measures and in which unit, and turns
// one unit into another exactly.
//
// The table of units is closed. A general unit grammar would be worse than
// useless here: in UCUM, the code system whose spellings most software uses,
// "C" is the coulomb, "F" the farad and "pH" the picohenry, so a parser of that
// grammar takes the three commonest slips on a water panel without a murmur.
// Here a spelling is in the table, or it is refused with the reason and, where
// the slip is a known one, with the spelling that was meant.
//
// A unit belongs to one quantity. The same spelling may stand under several
// ("ppb" of oxygen, of dye and of sulfite); those are different units, and one
// does not convert to the other.
//
// Conversion runs in rational numbers and is rounded once, to the nearest
// float64. Three things it will not do in silence:
//
//   - ppb, ppm, ug/kg and mg/kg are shares of mass; ug/L and mg/L are mass in a
//     volume. They agree only where a litre weighs a kilogram, so going from one
//     to the other always returns the assumption in words, and is refused for
//     what is only reckoned with.
//   - sulfite as SO3 and as Na2SO3 differ by 57 %: where the basis belongs to the
//     quantity, one does not convert to the other.
//   - gauge and absolute pressure differ by the barometer, which is not known
//     here: refused.
//   - conductivity and resistivity are reciprocals, not two units of one
//     quantity: refused.
//
// Owns: quantities and units of measure, their spellings, exact conversion, the metric name and unit of a quantity.
// Never: guesses.
package quantity
