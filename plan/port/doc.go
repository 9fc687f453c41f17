// Package port says how many ports a trunk takes, where they go and how deep.
// It takes what the label card permits, what was measured and which holes the
// trunk already has, and returns counts, azimuths, heights, depths and tape
// distances. Counts and wound limits are decided in exact arithmetic; angles
// are float64 degrees, azimuth clockwise from north seen from above.
//
// Distances kept from old holes, wound shares and heights that a card does not
// give are program defaults, exported as constants and variables that name
// where they come from. They are practice, never label.
package port
