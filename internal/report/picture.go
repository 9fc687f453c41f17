package report

import (
	"fmt"
	"io"
)

// Ring writes the ring of one planned tree as an SVG with its own style sheet,
// width mm wide as on paper: the picture of the paper, for a screen. The error is that of
// Plan, or names a tree that is not planned.
func Ring(w io.Writer, in Input, tag string, width float64) error {
	if in.Paper == "" {
		in.Paper = "a4"
	}
	s, err := newSheet(in, nil)
	if err != nil {
		return err
	}
	d := newDocument(s, in)
	for i := range in.Plan.Trees {
		t := &in.Plan.Trees[i]
		if t.Tag != tag {
			continue
		}
		scene, err := d.ring(t, width, d.ringHeading(t))
		if err != nil {
			return err
		}
		_, err = w.Write(scene.SVG())
		return err
	}
	return fmt.Errorf("report: no planned tree %q", tag)
}
