package cli

import (
	"strings"
	"unicode/utf8"
)

// table is a plain text table: no frame, columns aligned, numbers to the right.
type table struct {
	head  []string
	right []bool
	rows  [][]string
}

// newTable starts a table. A heading that begins with ">" is set to the right.
func newTable(head ...string) *table {
	t := &table{right: make([]bool, len(head))}
	for i, h := range head {
		t.right[i] = strings.HasPrefix(h, ">")
		t.head = append(t.head, strings.TrimPrefix(h, ">"))
	}
	return t
}

func (t *table) row(cells ...string) { t.rows = append(t.rows, cells) }

// String lays the table out with two spaces between columns.
func (t *table) String() string {
	width := make([]int, len(t.head))
	for _, r := range append([][]string{t.head}, t.rows...) {
		for i, c := range r {
			width[i] = max(width[i], utf8.RuneCountInString(c))
		}
	}
	var b strings.Builder
	line := func(r []string) {
		var l strings.Builder
		for i, c := range r {
			pad := strings.Repeat(" ", width[i]-utf8.RuneCountInString(c))
			if i > 0 {
				l.WriteString("  ")
			}
			if t.right[i] {
				l.WriteString(pad + c)
			} else {
				l.WriteString(c + pad)
			}
		}
		b.WriteString(strings.TrimRight(l.String(), " ") + "\n")
	}
	line(t.head)
	for _, r := range t.rows {
		line(r)
	}
	return b.String()
}
