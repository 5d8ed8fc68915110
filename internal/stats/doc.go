// Package stats is the statistics of checks on an analyser: control charts for
// check-sample results, the bias between two methods, the drift of a reading.
// Every function is pure, and no NaN or infinity comes out.
//
// All of it assumes independent values with a normal scatter. Readings a minute
// apart are neither: chart the results of checks or what is left after a model,
// not the raw trend. Intervals are 95 %.
//
// Owns: charts, paired bias, straight-line regression, medians and median slopes, by published methods.
// Never: keeps the data; decides what a signal means.
package stats
