// Package crew turns a set of planned trees into a day's work: in which order the trees are walked, who does which,
// when each step starts and ends, what must be packed and mixed, what it costs, and whether the morning is a go.
//
// It works on plain values with the unit in the name (metres, seconds, microlitres, minor units of money) and does no
// input or output: seeds and instants are arguments. Texts live elsewhere; the package knows stable identifiers only.
package crew
