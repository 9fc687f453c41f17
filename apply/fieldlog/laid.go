package fieldlog

import (
	"strings"

	"sapward/measure/tree"
	"sapward/plan"
)

// mostLaid bounds how many laid trees a log remembers.
const mostLaid = 64

// laid is what came of laying a tree out by readings.
type laid struct {
	one plan.One
	err error
}

// layOne lays a tree out by the readings of the day. The same tree with the
// same readings is laid out once: it is asked for again at every note.
func (l *Log) layOne(t tree.Tree, readings string) (plan.One, error) {
	key := t.Tag + "\x00" + readings
	if had, ok := l.laid[key]; ok {
		return had.one, had.err
	}
	one, err := plan.LayOne(l.pack.Request, l.pack.Frame, t)
	if len(l.laid) >= mostLaid {
		clear(l.laid)
	}
	l.laid[key] = laid{one, err}
	return one, err
}

// readings names the tape readings that a tree stands at, by stem.
func readings(by []*entry) string {
	var b strings.Builder
	for _, x := range by {
		if x != nil {
			b.WriteString(x.Taped + " " + x.Reading)
		}
		b.WriteByte(0)
	}
	return b.String()
}
