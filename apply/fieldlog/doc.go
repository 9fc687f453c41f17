// Package fieldlog is the log of a day at the trees: what a phone carries, the
// events that are noted there, and what they come to. It is the same code on
// the phone and on the server, so both see the same state of every port.
//
// A day is carried as a Pack: the approved plan's trees with their ports, the
// card, and who does what. What happens is noted as Events that are never
// changed: each has an identifier made where it was noted, and names the events
// on the same tree that its writer had seen. That order of cause decides, not
// clocks. A Log takes events in any order, any number of times, and folds them
// into the state of trees and ports. Where two phones noted things on one tree
// without knowing of each other, the outcome is defined: what is careful counts
// until a person decides (Conflict).
//
// Volumes are whole microlitres, lengths whole millimetres. "Left" is what is
// still in the syringe, bottle or bag; nobody's reading is never a number.
// What left the device and leaked counts as applied.
package fieldlog
