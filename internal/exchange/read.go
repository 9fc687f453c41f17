package exchange

import (
	"bytes"
	"io"
	"runtime"
	"strings"
	"sync"

	"sapward/finding"
)

// Summary says what a file held and how it was read.
type Summary struct {
	File         string
	Separator    string   // ",", ";" or tab; empty for a workbook
	DecimalComma bool     // the file writes 1,5
	Rows         int      // rows with data
	Trees        int      // different trees, for a table of trees
	Headers      []string // of the header row, as written
	Columns      []ColumnUse
	Notes        []finding.Finding
}

// builder turns rows into a T, block by block. Each worker has its own.
type builder[T any] interface {
	row(*Row) // reads one row
	take() T  // hands over what was read since the last take
}

// outcome is what became of one block.
type outcome[T any] struct {
	made       T
	rows       int
	faults     collector
	dot, comma mark
	stop       bool // nothing behind this block can be trusted
}

// start opens the header: the dialect and the layout.
func (s *source) start(spec *Spec, faults *collector) (*layout, error) {
	if s.book != nil {
		if err := s.book.choose(spec.What); err != nil {
			return nil, err
		}
		s.blocks = s.book
		first, err := s.blocks.next()
		if err == io.EOF {
			return nil, finding.Bad("file-empty", finding.Where{File: s.file}, finding.Args{})
		}
		if err != nil {
			return nil, err
		}
		s.first = first
	}
	r := &Row{reader: reader{file: s.file, dialect: s.dialect}, sheet: s.sheet}
	b := s.first
	for {
		names, fault := s.headerRow(spec, r, b)
		if fault != nil {
			return nil, fault
		}
		if names == nil {
			return nil, finding.Bad("file-empty", finding.Where{File: s.file}, finding.Args{})
		}
		laid := s.sheet && s.book == nil // a header that the file has no line for
		if !laid && (r.blank() || remark(names)) {
			continue
		}
		s.headers = append([]string{}, names...)
		for i, n := range names {
			if to, ok := s.match[strings.TrimSpace(strings.TrimPrefix(n, "\uFEFF"))]; ok {
				names[i] = to
			}
		}
		r.layout = &layout{}
		lay := spec.read(names, func(k int) finding.Where {
			if laid {
				return finding.Where{File: s.file}
			}
			if s.sheet {
				return finding.Where{File: s.file, Line: r.Line, Column: k + 1}
			}
			return r.where(r.fields[k].at)
		}, faults)
		if !laid && len(lay.uses) == 0 && looksLikeData(names) {
			*faults = collector{}
			return nil, finding.Bad("header-none", finding.Where{File: s.file, Line: r.Line}, finding.Args{"found": finding.Text(show(clipList(lay.names)))})
		}
		return lay, nil
	}
}

// remark reports whether a row above the header is a note to people: it begins
// with a hash.
func remark(cells []string) bool {
	return len(cells) > 0 && strings.HasPrefix(strings.TrimSpace(cells[0]), "#")
}

// headerRow cuts the next row off the first block; a text file's separator is
// the one by which most columns are understood.
func (s *source) headerRow(spec *Spec, r *Row, b *block) ([]string, *finding.Fault) {
	if s.sheet {
		if len(b.rows) == 0 {
			return nil, nil
		}
		if fault := r.take(b); fault != nil {
			return nil, fault
		}
		b.start = r.pos
		if s.book == nil { // the header of places is a block of its own
			s.first = &block{sheet: true}
		}
		return r.texts(), nil
	}
	seps := []byte{',', ';', '\t'}
	if s.dialect.sep != 0 {
		seps = []byte{s.dialect.sep}
	}
	best, bestKnown, bestFields := byte(0), -1, -1
	var firstFault *finding.Fault
	for _, sep := range seps {
		r.reader.sep = sep
		r.reset(b.data, b.line)
		ok, fault := r.cut()
		if fault != nil {
			if firstFault == nil {
				firstFault = fault
			}
			continue
		}
		if !ok {
			return nil, nil
		}
		known := 0
		for _, f := range r.fields {
			if _, _, _, ok := spec.match(string(f.b)); ok {
				known++
			}
		}
		if known > bestKnown || known == bestKnown && len(r.fields) > bestFields {
			best, bestKnown, bestFields = sep, known, len(r.fields)
		}
	}
	if best == 0 || bestKnown == 0 && firstFault != nil {
		return nil, firstFault
	}
	r.reader.sep = best
	r.reset(b.data, b.line)
	r.cut()
	r.Line = r.reader.row
	if b.long {
		return nil, finding.Bad("row-long", finding.Where{File: s.file, Line: r.Line}, finding.Args{})
	}
	names := r.texts()
	if !r.blank() && !remark(names) {
		s.dialect.sep = best
	}
	s.first = &block{data: b.data[r.pos:], line: r.reader.next, long: b.long}
	*b = *s.first
	return names, nil
}

// texts returns the cells of the row as they stand.
func (r *Row) texts() []string {
	out := make([]string, len(r.fields))
	for i, f := range r.fields {
		out[i] = string(f.b)
	}
	return out
}

// take moves the next row of a workbook's block into r.fields.
func (r *Row) take(b *block) *finding.Fault {
	head := b.rows[0]
	b.rows = b.rows[1:]
	r.Line, r.col, r.fields = head.number, head.col, r.fields[:0]
	r.line, r.data = head.number, b.data
	for k := range head.cells {
		from := r.pos
		r.pos = b.ends[0]
		b.ends = b.ends[1:]
		r.fields = append(r.fields, field{b: b.data[from:r.pos], at: from, quoted: true})
		if k >= MaxColumns {
			return finding.Bad("columns-many", finding.Where{File: r.file, Line: r.Line, Column: k + 1}, finding.Args{"most": finding.Count(MaxColumns)})
		}
		if r.pos-from > MaxField {
			return finding.Bad("field-long", finding.Where{File: r.file, Line: r.Line, Column: k + 1}, finding.Args{})
		}
	}
	return nil
}

// looksLikeData reports that a first row holds numbers, as a header does not.
func looksLikeData(names []string) bool {
	for _, n := range names {
		if c := bytes.TrimSpace([]byte(n)); len(c) > 0 && (c[0] >= '0' && c[0] <= '9' || c[0] == '-' || c[0] == '.') {
			return true
		}
	}
	return false
}

// work reads one block with a worker's row and builder.
func work[T any](r *Row, b *block, build builder[T]) outcome[T] {
	r.faults, r.dot, r.comma = collector{}, mark{}, mark{}
	r.reset(b.data, b.line)
	if b.sheet {
		r.pos = b.start
	}
	var out outcome[T]
	stop := func(f *finding.Fault) {
		r.faults.add(f)
		out.stop = true
	}
	if !b.sheet {
		if f := encoding(r.file, b.data, b.line, r.nl); f != nil {
			stop(f)
		}
	}
	for !out.stop {
		if b.sheet {
			if len(b.rows) == 0 {
				break
			}
			if f := r.take(b); f != nil {
				stop(f)
				break
			}
		} else {
			ok, f := r.cut()
			if f == nil && ok && b.long {
				f = finding.Bad("row-long", finding.Where{File: r.file, Line: r.reader.row}, finding.Args{})
			}
			if f != nil {
				stop(f)
				break
			}
			if !ok {
				break
			}
			r.Line = r.reader.row
		}
		if r.blank() {
			continue
		}
		out.rows++
		if r.check() {
			build.row(r)
		}
	}
	out.made, out.faults, out.dot, out.comma = build.take(), r.faults, r.dot, r.comma
	return out
}

// run reads a source on all processors and passes each block's result to each,
// in the order of the file, on the caller's goroutine. While faults are known
// each is told so: what it gets then is for checking only. An error of each ends
// the reading.
func run[T any](s *source, spec *Spec, newBuilder func() builder[T], each func(made T, faults *collector) error) (Summary, error) {
	defer s.close()
	sum := Summary{File: s.file}
	var faults collector
	lay, err := s.start(spec, &faults)
	if err != nil {
		return sum, finding.AsFaults(err)
	}
	sum.Headers = s.headers
	headerBad := faults.any()
	if s.early != nil {
		faults.join(s.early)
		if len(lay.uses) == 0 {
			return sum, faults.err(s.file)
		}
	}
	if headerBad { // the columns are not known: rows would only repeat it
		return sum, faults.err(s.file)
	}
	sum.Columns, sum.Notes, sum.Headers = lay.uses, append(s.notes, lay.notes...), s.headers
	if !s.sheet {
		sum.Separator = string(s.dialect.sep)
	}

	type job struct {
		b    *block
		done chan outcome[T]
	}
	workers := max(1, runtime.GOMAXPROCS(0))
	jobs, order := make(chan job, workers), make(chan job, 2*workers)
	quit := make(chan struct{})
	var readErr error
	var group sync.WaitGroup
	defer group.Wait()
	defer close(quit)
	group.Add(1 + workers)
	go func() {
		defer group.Done()
		defer close(order)
		defer close(jobs)
		b := s.first
		for {
			j := job{b, make(chan outcome[T], 1)}
			select {
			case order <- j:
			case <-quit:
				return
			}
			select {
			case jobs <- j:
			case <-quit:
				return
			}
			var err error
			if b, err = s.blocks.next(); err != nil {
				if err != io.EOF {
					readErr = err
				}
				return
			}
		}
	}()
	for range workers {
		r := &Row{layout: lay, reader: reader{file: s.file, dialect: s.dialect}, sheet: s.sheet, date04: s.date04, intern: map[string]string{}}
		build := newBuilder()
		go func() {
			defer group.Done()
			for j := range jobs {
				j.done <- work(r, j.b, build)
			}
		}()
	}

	var dot, comma mark
	stopped := false
	for j := range order {
		out := <-j.done
		sum.Rows += out.rows
		faults.join(&out.faults)
		if !dot.set {
			dot = out.dot
		}
		if !comma.set {
			comma = out.comma
		}
		if err := each(out.made, &faults); err != nil {
			return sum, err
		}
		if out.stop {
			stopped = true
			break
		}
	}
	if !stopped && readErr != nil { // written before order was closed
		for _, f := range finding.AsFaults(readErr) {
			faults.add(f)
		}
	}
	if dot.set && comma.set {
		faults.add(mixed(dot, comma))
	}
	sum.DecimalComma = comma.set
	if sum.Rows == 0 && !faults.any() {
		faults.add(finding.Bad("file-no-rows", finding.Where{File: s.file}, finding.Args{}))
	}
	return sum, faults.err(s.file)
}
