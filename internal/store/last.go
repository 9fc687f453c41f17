package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"

	"sapward/finding"
)

// lastName is a small file beside the database that names the last event. It
// is written after every commit without being forced to the disk, so it costs
// nothing and is never ahead of what is kept: the commit before it was forced.
// A database that ends before the event it names has lost its newest events.
// Whoever cuts them off on purpose can change the file too; against that helps
// a backup's manifest in another place.
const lastName = "last-event"

// lastForm is a line of a fixed width, written over in place.
const lastForm = "%020d %64s\n"

// lastFile is the file while the folder is open for writing.
type lastFile struct {
	f      *os.File
	frozen bool // it names an event that is gone: it stays as it is, for check to see
}

// openLast opens the file and brings it up to the last event, unless it names
// one that is not there.
func (s *Store) openLast(h head) error {
	seq, hash, known := readLast(s.dir)
	f, err := os.OpenFile(filepath.Join(s.dir, lastName), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	s.last = &lastFile{f: f, frozen: known && seq > 0 && (seq > h.Seq || seq == h.Seq && hash != h.Hash)}
	s.last.write(h)
	return nil
}

// write names the last event. That it could not be written is no fault: an
// older line is true as well.
func (l *lastFile) write(h head) {
	if l != nil && !l.frozen && h.Seq > 0 {
		_, _ = fmt.Fprintf(&offset{l.f}, lastForm, h.Seq, h.Hash)
	}
}

// offset writes from the beginning of a file.
type offset struct{ f *os.File }

func (o *offset) Write(b []byte) (int, error) { return o.f.WriteAt(b, 0) }

func (l *lastFile) close() error {
	if l == nil {
		return nil
	}
	return l.f.Close()
}

// readLast reads the file; known is false where it is missing or unreadable, as
// after a loss of power.
func readLast(dir string) (seq int64, hash string, known bool) {
	data, err := os.ReadFile(filepath.Join(dir, lastName))
	if err != nil || len(data) != 86 || data[20] != ' ' || !isHash(string(data[21:85])) {
		return 0, "", false
	}
	seq, err = strconv.ParseInt(string(data[:20]), 10, 64)
	return seq, string(data[21:85]), err == nil
}

// newest compares what the file named before the events were read with the
// events: at is the hash of the event of its number, empty where there is none.
func (c *checking) newest(dir string, seq int64, hash string, known bool, at string) {
	switch {
	case !known:
		if _, err := os.Stat(filepath.Join(dir, lastName)); !errors.Is(err, fs.ErrNotExist) {
			c.report.Newest = "unreadable"
		}
	case at == hash:
		c.report.Newest = "confirmed"
	case at == "":
		c.report.Newest = "gone"
		c.say("check-newest-gone", finding.Args{"seq": finding.Text(fmt.Sprint(seq)), "last": finding.Text(fmt.Sprint(c.report.Events))})
	default:
		c.report.Newest = "other"
		c.say("check-newest-other", finding.Args{"seq": finding.Text(fmt.Sprint(seq))})
	}
}
