// Package exchange reads and writes the tables that people keep in
// spreadsheets: trees, wounds, limbs, obstacles, earlier treatments, crews. It
// reads CSV (comma, semicolon or tab) and XLSX through one path, names every
// problem of a file at once with its line and column, and hands out nothing
// while there is one. It writes CSV, XLSX and whole folders that are either
// complete or absent.
package exchange

import (
	"cmp"
	"errors"
	"io/fs"
	"os"
	"slices"
	"syscall"
	"unicode"
	"unicode/utf8"

	"sapward/finding"
)

// Bounds on what is read. They are program defaults, set far above any honest
// table, so that a damaged or hostile file ends in a message and not in a full
// memory.
const (
	MaxColumns  = 512       // columns of a table
	MaxField    = 64 << 10  // bytes of one cell
	MaxTag      = 64        // characters of a tree's tag or a stem's name
	MaxText     = 200       // characters of any other text
	MaxFaults   = 50        // problems listed before "and N more"
	maxRecord   = 1 << 20   // bytes of one row
	blockSize   = 128 << 10 // bytes handed to one worker at a time
	maxUnzipped = 1 << 30   // bytes of a workbook when unpacked
	maxSheetXML = 16 << 20  // bytes of one part kept in memory; larger ones go to a temporary file
	maxParts    = 4096      // files inside a workbook
	maxInterned = 4096      // different texts kept once per worker
)

// collector gathers faults up to MaxFaults and counts the rest.
type collector struct {
	list finding.Faults
	more int
}

// full reports that a further fault is only counted; it saves building it.
func (c *collector) full() bool { return len(c.list) >= MaxFaults }

func (c *collector) add(f *finding.Fault) {
	if c.full() {
		c.more++
		return
	}
	c.list = append(c.list, f)
}

// join appends another collector's faults.
func (c *collector) join(o *collector) {
	for _, f := range o.list {
		c.add(f)
	}
	c.more += o.more
}

func (c *collector) any() bool { return len(c.list) > 0 }

// err returns the faults in the order of the file, closed by "and N more" where there were too many, or
// nil.
func (c *collector) err(file string) error {
	slices.SortStableFunc(c.list, func(a, b *finding.Fault) int {
		return cmp.Or(cmp.Compare(a.Where.Line, b.Where.Line), cmp.Compare(a.Where.Column, b.Where.Column))
	})
	if c.more > 0 {
		c.list = append(c.list, finding.Bad("faults-more", finding.Where{File: file}, finding.Args{"count": finding.Count(c.more)}))
		c.more = 0
	}
	return c.list.OrNil()
}

// readFault turns an error of the operating system on reading into a fault.
func readFault(path string, err error) *finding.Fault {
	var f *finding.Fault
	if errors.As(err, &f) {
		return f
	}
	where, args := finding.Where{File: path}, finding.Args{"file": finding.Text(show(path))}
	out := &finding.Fault{Class: finding.BadInput, ID: "file-unreadable", Where: where, Args: args, Cause: err}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		out.Class, out.ID = finding.Missing, "file-missing"
	case errors.Is(err, fs.ErrPermission):
		out.ID = "file-denied"
	case errors.Is(err, syscall.EISDIR):
		out.ID = "file-is-folder"
	}
	return out
}

// openFile opens a file for reading; a folder or a missing file is a fault.
func openFile(path string) (*os.File, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, readFault(path, err)
	}
	info, err := f.Stat()
	if err == nil && info.IsDir() {
		err = syscall.EISDIR
	}
	if err != nil {
		f.Close()
		return nil, readFault(path, err)
	}
	return f, nil
}

// show makes a text fit for a message: valid UTF-8, no control characters, at
// most 40 characters.
func show(s string) string {
	const most = 40
	out := make([]rune, 0, most)
	for _, r := range s {
		if len(out) == most-1 && utf8.RuneCountInString(s) > most {
			return string(append(out, '…'))
		}
		if unicode.IsControl(r) || r == utf8.RuneError {
			r = '?'
		}
		out = append(out, r)
	}
	return string(out)
}
