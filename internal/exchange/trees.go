package exchange

import (
	"io"
	"iter"

	"sapward/finding"
	"sapward/measure/tree"
)

// Scan reads a table of trees through once and reports what is in it and all
// that is wrong: cells, rows, tags given twice. It keeps the tags only, so that
// a million trees need some tens of megabytes. The error, if any, is
// finding.Faults; a fault in the header is reported before any row is read.
func Scan(path string) (Summary, error) {
	src, err := openPath(path)
	if err != nil {
		return Summary{File: path}, finding.AsFaults(err)
	}
	return readTrees(src, newRoll(path), true, nil)
}

// Each reads a table of trees and passes the trees on in the order of the
// file, some thousands at a time. The slice and all in it are the callee's to
// keep. Rows of one tree's stems are gathered first, so a table with a column
// of stems is held in memory. Every row is checked again; only tags given twice
// are left to Scan where there is no column of stems. An error of visit ends the
// reading and is returned.
//
// Nothing is passed on from the first block with a fault, but blocks before it
// were: call Scan first, or use OpenTrees, where nothing may be seen of a file
// with a fault.
func Each(path string, visit func(chunk []tree.Tree) error) error {
	src, err := openPath(path)
	if err != nil {
		return finding.AsFaults(err)
	}
	_, err = readTrees(src, nil, false, visit)
	return err
}

// TreeReader reads a table of trees that has been found free of faults.
type TreeReader struct {
	Summary
	path string
}

// OpenTrees scans a table of trees. With any fault there is no reader.
func OpenTrees(path string) (*TreeReader, error) {
	sum, err := Scan(path)
	if err != nil {
		return nil, err
	}
	return &TreeReader{Summary: sum, path: path}, nil
}

// Each passes the trees on as the function Each does.
func (t *TreeReader) Each(visit func(chunk []tree.Tree) error) error { return Each(t.path, visit) }

// All yields the trees one by one. An error, which ends it, comes with a nil
// tree.
func (t *TreeReader) All() iter.Seq2[*tree.Tree, error] {
	return func(yield func(*tree.Tree, error) bool) {
		err := t.Each(func(chunk []tree.Tree) error {
			for i := range chunk {
				if !yield(&chunk[i], nil) {
					return errStop
				}
			}
			return nil
		})
		if err != nil && err != errStop {
			yield(nil, err)
		}
	}
}

// errStop ends a reading whose consumer has seen enough.
var errStop error = &finding.Fault{Class: finding.Internal, ID: "internal"}

// ReadTrees reads a whole table of trees from a stream, CSV or XLSX. With any
// fault it returns no tree.
func ReadTrees(r io.Reader, name string) ([]tree.Tree, Summary, error) {
	return ReadTreesAs(r, name, nil)
}

// TreeColumns are the documented names of the columns of a table of trees, with
// their units.
func TreeColumns() []string {
	var out []string
	for _, c := range treeSpec.Columns {
		out = append(out, c.full())
		if c.Kind == Length && c.Unit == "cm" {
			out = append(out, c.Name+"_in")
		}
	}
	return out
}

// ReadTreesAs is ReadTrees with headers that a person has matched: match gives
// for a header as the file writes it the column it stands for, empty for one to
// be left out.
func ReadTreesAs(r io.Reader, name string, match map[string]string) ([]tree.Tree, Summary, error) {
	var all []tree.Tree
	sum, err := eachAs(r, name, match, false, func(chunk []tree.Tree) error {
		all = append(all, chunk...)
		return nil
	})
	if err != nil {
		return nil, sum, err
	}
	return all, sum, nil
}

// EachInventory reads like ReadTreesAs trees that are only entered, not planned,
// and passes them on in the order of the file, some thousands at a time: the
// cells of the reading may be empty, and the stem's Diameter and Girth are then
// zero. A note counts them. One of the columns must be there. What was passed on
// before an error does not count.
func EachInventory(r io.Reader, name string, match map[string]string, visit func(chunk []tree.Tree) error) (Summary, error) {
	return eachAs(r, name, match, true, visit)
}

func eachAs(r io.Reader, name string, match map[string]string, untaped bool, visit func([]tree.Tree) error) (Summary, error) {
	src, err := openStream(r, name)
	if err != nil {
		return Summary{File: name}, finding.AsFaults(err)
	}
	src.match, src.untaped = match, untaped
	return readTrees(src, newRoll(name), false, visit)
}

// readTrees is the one reading of a table of trees: checked only, or passed to
// visit in blocks. seen finds tags given twice; it may be nil.
func readTrees(src *source, seen *roll, checkOnly bool, visit func([]tree.Tree) error) (Summary, error) {
	var group *stemGroups
	bad := false
	fractions, percents, bare := false, false, 0
	sum, err := run(src, &treeSpec, func() builder[treeBlock] { return &treeBuilder{checkOnly: checkOnly, untaped: src.untaped} },
		func(b treeBlock, faults *collector) error {
			fractions, percents = fractions || b.fractions, percents || b.percents
			bare += b.bare
			if seen != nil {
				seen.add(&b, faults)
			}
			if b.names != nil {
				if group == nil {
					group = newStemGroups(src.file)
				}
				group.add(b.trees, faults)
				return nil
			}
			if bad = bad || faults.any(); bad || checkOnly {
				return nil
			}
			return visit(b.trees)
		})
	if seen != nil {
		sum.Trees = len(seen.entries)
	}
	if group != nil {
		sum.Trees = len(group.trees)
	}
	if fractions && !percents {
		sum.Notes = append(sum.Notes, finding.Finding{ID: "rating-fraction", Severity: finding.Warning, Authority: finding.ByEstimate, Args: finding.Args{}})
	}
	if bare > 0 {
		sum.Notes = append(sum.Notes, finding.Finding{ID: "trees-untaped", Severity: finding.Note, Authority: finding.ByEstimate, Args: finding.Args{"count": finding.Count(bare)}})
	}
	if err != nil {
		return sum, err
	}
	if group != nil && !checkOnly {
		return sum, group.pass(visit)
	}
	return sum, nil
}
