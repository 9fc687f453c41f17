package store

import (
	"context"
	"fmt"
	"strings"

	"sapward/finding"
	"sapward/internal/app"
)

// MoveReport says what was moved and compared.
type MoveReport struct {
	Events int64  `json:"events"`
	Rows   int64  `json:"rows"` // that follow from the events, compared one by one
	Files  int    `json:"files"`
	Head   string `json:"head"` // hash of the last event, the same on both sides
}

// Move copies every fact and file from one store into an empty one. The source
// is checked first and nobody writes to it meanwhile; the events go over as
// they are, so that their chain of hashes goes on, and every row of every table
// is compared before anything is committed. The source stays as it was. Who is
// signed in, and files that have arrived in part only, stay behind.
func Move(ctx context.Context, from, to *Store, progress func(done, of int64)) (r MoveReport, err error) {
	if progress == nil {
		progress = func(_, _ int64) {}
	}
	if n, err := endOf(ctx, to.reader); err != nil || n.Seq > 0 {
		return r, moveOr(to, err, "move-not-empty", finding.Args{"to": finding.Text(to.dir), "events": finding.Text(fmt.Sprint(n.Seq))})
	}
	if n, err := endOf(ctx, from.reader); err != nil || n.Seq == 0 {
		return r, moveOr(from, err, "move-nothing", finding.Args{"from": finding.Text(from.dir)})
	}
	checked, err := from.Check(ctx, nil)
	if err != nil {
		return r, err
	}
	if n := len(checked.Findings); n > 0 {
		return r, moveOr(from, nil, "move-unclean", finding.Args{"from": finding.Text(from.dir), "count": finding.Count(n)})
	}
	err = from.InTx(ctx, func(a app.Tx) error { return r.carry(ctx, from, to, a.(*tx), progress) })
	if err != nil {
		return MoveReport{}, err
	}
	return r, nil
}

// carry copies what a transaction of one store sees into another store that is
// empty, and compares both.
func (r *MoveReport) carry(ctx context.Context, from, to *Store, source *tx, progress func(done, of int64)) error {
	last, err := endOf(ctx, source.reader)
	if err != nil {
		return err
	}
	if r.Files, err = moveFiles(ctx, from, to, source); err != nil {
		return err
	}
	return to.InTx(ctx, func(b app.Tx) error {
		target := b.(*tx)
		if n, err := endOf(ctx, target.reader); err != nil || n.Seq > 0 {
			return moveOr(to, err, "move-not-empty", finding.Args{"to": finding.Text(to.dir), "events": finding.Text(fmt.Sprint(n.Seq))})
		}
		if err := target.lay(ctx, source, true, func(done int64) { progress(done, last.Seq) }); err != nil {
			return err
		}
		return r.verify(ctx, to, source, target)
	})
}

func moveOr(s *Store, err error, id string, args finding.Args) error {
	if err != nil {
		return storeFault(s.dir, err)
	}
	return &finding.Fault{Class: finding.Conflict, ID: id, Args: args}
}

// endOf is the end of the chain.
func endOf(ctx context.Context, r reader) (h head, err error) {
	list, err := r.Events(ctx, app.EventQuery{Limit: 1})
	if err == nil && len(list) > 0 {
		h = head{list[0].Seq, list[0].ID, list[0].At, list[0].Hash}
	}
	return h, err
}

// moveFiles puts the files that facts speak of into the target. They are kept
// under their hash: one that is there already is the same.
func moveFiles(ctx context.Context, from, to *Store, source *tx) (int, error) {
	hashes, err := texts(ctx, source.tx, "SELECT DISTINCT hash FROM files ORDER BY hash")
	if err != nil {
		return 0, err
	}
	for _, h := range hashes {
		f, err := from.OpenFile(ctx, h)
		if err != nil {
			return 0, err
		}
		put, err := to.PutFile(ctx, f, 1<<40)
		f.Close()
		if err == nil && put.Hash != h {
			err = moveOr(to, nil, "move-differs", finding.Args{"table": finding.Text(filesName), "id": finding.Text(h)})
		}
		if err != nil {
			return 0, err
		}
	}
	return len(hashes), nil
}

// verify compares both sides row by row, and the chain's ends.
func (r *MoveReport) verify(ctx context.Context, to *Store, source, target *tx) error {
	for _, table := range append([]string{"events"}, projected...) {
		var differ []string
		n, err := compareRows(ctx, source.tx, target.tx, table, func(_, id string) { differ = append(differ, id) })
		if err != nil {
			return err
		}
		if len(differ) > 0 {
			return moveOr(to, nil, "move-differs", finding.Args{"table": finding.Text(table), "id": finding.Text(strings.Join(differ[:min(5, len(differ))], ", "))})
		}
		if table == "events" {
			r.Events = n
		} else {
			r.Rows += n
		}
	}
	was, err := endOf(ctx, source.reader)
	if err != nil {
		return err
	}
	is, err := endOf(ctx, target.reader)
	if err == nil && (is != was || is.Seq != r.Events) {
		err = moveOr(to, nil, "move-differs", finding.Args{"table": finding.Text("events"), "id": finding.Text(is.ID)})
	}
	r.Head = is.Hash
	return err
}
