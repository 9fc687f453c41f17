package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"io"

	"sapward/finding"
	"sapward/internal/app"
)

// blobTables hold files and pieces of files in PostgreSQL, where several
// servers share them. They follow from no event and are no step of the tables
// that both databases have.
var blobTables = []string{
	`CREATE TABLE IF NOT EXISTS kept_files (hash TEXT PRIMARY KEY CHECK (length(hash) = 64), size INTEGER NOT NULL CHECK (size >= 0), pieces TEXT NOT NULL)`,
	`CREATE TABLE IF NOT EXISTS kept_pieces (pieces TEXT NOT NULL, n INTEGER NOT NULL CHECK (n >= 0), data BYTEA NOT NULL, PRIMARY KEY (pieces, n))`,
	`CREATE TABLE IF NOT EXISTS part_files (name TEXT PRIMARY KEY, size INTEGER NOT NULL CHECK (size >= 0), changed_at TEXT NOT NULL)`,
	`CREATE TABLE IF NOT EXISTS part_pieces (name TEXT NOT NULL REFERENCES part_files (name) ON DELETE CASCADE, at INTEGER NOT NULL, data BYTEA NOT NULL, PRIMARY KEY (name, at))`,
	// Pictures are compressed already.
	`ALTER TABLE kept_pieces ALTER COLUMN data SET STORAGE EXTERNAL`,
	`ALTER TABLE part_pieces ALTER COLUMN data SET STORAGE EXTERNAL`,
}

// pieceSize is how many bytes one row holds; every piece of a file but the last
// is full.
const pieceSize = 256 << 10

// inPieces passes what a reader holds, piece by piece.
func inPieces(r io.Reader, visit func(n int64, data []byte) error) error {
	buf := make([]byte, pieceSize)
	for n := int64(0); ; n++ {
		k := 0
		var err error
		for k < len(buf) && err == nil { // not io.ReadFull, which says of a short piece what a broken line says
			var more int
			more, err = r.Read(buf[k:])
			k += more
		}
		if err != nil && err != io.EOF {
			return err
		}
		if k > 0 {
			if err := visit(n, buf[:k]); err != nil {
				return err
			}
		}
		if err == io.EOF {
			return nil
		}
	}
}

// inBeside runs f in a transaction beside the chain.
func (s *Store) inBeside(ctx context.Context, f func(*sql.Tx) error) error {
	if s.unclean {
		return &finding.Fault{Class: finding.Storage, ID: "store-read-only", Where: finding.Where{File: s.dir}}
	}
	t, err := s.beside.BeginTx(ctx, &sql.TxOptions{Isolation: sql.LevelReadCommitted})
	if err != nil {
		return err
	}
	if err := f(t); err != nil {
		return errors.Join(err, t.Rollback())
	}
	return t.Commit()
}

// errElsewhere ends a transaction whose file ends at another place.
var errElsewhere = errors.New("the file ends at another place")

// putBlob keeps bytes under their SHA-256. Bytes that are there and sound stay;
// damaged ones are replaced.
func (s *Store) putBlob(ctx context.Context, r io.Reader, limit int64) (out app.File, err error) {
	err = s.inBeside(ctx, func(t *sql.Tx) error {
		out, err = s.putBlobIn(ctx, t, r, limit)
		return err
	})
	return out, storeFault(s.dir, err)
}

// putBlobIn is putBlob in a transaction that is under way.
func (s *Store) putBlobIn(ctx context.Context, t *sql.Tx, r io.Reader, limit int64) (app.File, error) {
	var random [16]byte
	s.random(random[:])
	pieces := hex.EncodeToString(random[:])
	var out app.File
	err := func() error {
		sum := sha256.New()
		err := inPieces(io.LimitReader(r, limit+1), func(n int64, data []byte) error {
			sum.Write(data)
			out.Size += int64(len(data))
			_, err := t.ExecContext(ctx, "INSERT INTO kept_pieces (pieces, n, data) VALUES (?, ?, ?)", pieces, n, data)
			return err
		})
		if err != nil {
			return err
		}
		if out.Size > limit {
			return &finding.Fault{Class: finding.BadInput, ID: "file-large", Args: finding.Args{"most": finding.Number(float64(limit)/(1<<20), "MB")}}
		}
		out.Hash = hex.EncodeToString(sum.Sum(nil))
		res, err := t.ExecContext(ctx, "INSERT INTO kept_files (hash, size, pieces) VALUES (?, ?, ?) ON CONFLICT (hash) DO NOTHING", out.Hash, out.Size, pieces)
		if err != nil {
			return err
		}
		if n, err := res.RowsAffected(); err != nil || n == 1 {
			return err
		}
		var old string
		if err := t.QueryRowContext(ctx, "SELECT pieces FROM kept_files WHERE hash = ? FOR UPDATE", out.Hash).Scan(&old); err != nil {
			return err
		}
		got, _, err := hashBlob(ctx, t, old)
		if err != nil {
			return err
		}
		if got == out.Hash {
			old = pieces
		}
		if _, err := t.ExecContext(ctx, "DELETE FROM kept_pieces WHERE pieces = ?", old); err != nil {
			return err
		}
		if got != out.Hash {
			_, err = t.ExecContext(ctx, "UPDATE kept_files SET size = ?, pieces = ? WHERE hash = ?", out.Size, pieces, out.Hash)
		}
		return err
	}()
	if err != nil {
		out = app.File{}
	}
	return out, err
}

// hashBlob is the SHA-256 and size of pieces, one in memory at a time.
func hashBlob(ctx context.Context, q querier, pieces string) (string, int64, error) {
	sum, size := sha256.New(), int64(0)
	for n := int64(0); ; n++ {
		data, err := piece(ctx, q, pieces, n)
		if errors.Is(err, sql.ErrNoRows) {
			return hex.EncodeToString(sum.Sum(nil)), size, nil
		}
		if err != nil {
			return "", 0, err
		}
		sum.Write(data)
		size += int64(len(data))
	}
}

func piece(ctx context.Context, q querier, pieces string, n int64) (data []byte, err error) {
	err = q.QueryRowContext(ctx, "SELECT data FROM kept_pieces WHERE pieces = ? AND n = ?", pieces, n).Scan(&data)
	return data, err
}

// blob reads a kept file piece by piece.
type blob struct {
	ctx    context.Context
	q      querier
	where  string
	pieces string
	size   int64
	at     int64
	have   int64 // number of the piece in memory, -1 for none
	data   []byte
}

// openBlob opens what putBlob kept.
func (s *Store) openBlob(ctx context.Context, hash string) (io.ReadSeekCloser, error) {
	b := &blob{ctx: ctx, q: s.read, where: s.dir, have: -1}
	err := s.read.QueryRowContext(ctx, "SELECT size, pieces FROM kept_files WHERE hash = ?", hash).Scan(&b.size, &b.pieces)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, missing(app.TypeAttachment)
	}
	return b, storeFault(s.dir, err)
}

func (b *blob) Read(p []byte) (int, error) {
	if b.at >= b.size {
		return 0, io.EOF
	}
	if n := b.at / pieceSize; n != b.have {
		data, err := piece(b.ctx, b.q, b.pieces, n)
		if errors.Is(err, sql.ErrNoRows) {
			err = io.ErrUnexpectedEOF
		}
		if err != nil {
			return 0, storeFault(b.where, err)
		}
		b.have, b.data = n, data
	}
	from := b.at % pieceSize
	if from >= int64(len(b.data)) {
		return 0, io.ErrUnexpectedEOF
	}
	k := copy(p, b.data[from:])
	b.at += int64(k)
	return k, nil
}

func (b *blob) Seek(offset int64, whence int) (int64, error) {
	switch whence {
	case io.SeekCurrent:
		offset += b.at
	case io.SeekEnd:
		offset += b.size
	}
	if offset < 0 {
		return 0, fmt.Errorf("store: a place before the beginning of a file: %d", offset)
	}
	b.at = offset
	return offset, nil
}

func (b *blob) Close() error { b.data = nil; return nil }

// addPiece adds bytes to a file that arrives in pieces. Two servers that get
// the same piece at once wait for each other; the second finds it there.
func (s *Store) addPiece(ctx context.Context, name string, from int64, r io.Reader, most int64) (size int64, ok bool, err error) {
	now := instant(s.now())
	start := int64(0)
	err = s.inBeside(ctx, func(t *sql.Tx) error {
		if from == 0 {
			if _, err := t.ExecContext(ctx, "DELETE FROM part_files WHERE changed_at < ? AND name <> ?", instant(s.now().Add(-partLife)), name); err != nil {
				return err
			}
		}
		if _, err := t.ExecContext(ctx, "INSERT INTO part_files (name, size, changed_at) VALUES (?, 0, ?) ON CONFLICT (name) DO NOTHING", name, now); err != nil {
			return err
		}
		if err := t.QueryRowContext(ctx, "SELECT size FROM part_files WHERE name = ? FOR UPDATE", name).Scan(&start); err != nil {
			return err
		}
		if size = start; start != from {
			return errElsewhere
		}
		err := inPieces(io.LimitReader(r, most-start+1), func(_ int64, data []byte) error {
			_, err := t.ExecContext(ctx, "INSERT INTO part_pieces (name, at, data) VALUES (?, ?, ?)", name, size, data)
			size += int64(len(data))
			return err
		})
		if err == nil && size > most {
			err = &finding.Fault{Class: finding.BadInput, ID: "file-too-big", Args: finding.Args{"mb": finding.Count(int(most >> 20))}}
		}
		if err != nil {
			return err
		}
		_, err = t.ExecContext(ctx, "UPDATE part_files SET size = ?, changed_at = ? WHERE name = ?", size, now, name)
		return err
	})
	if errors.Is(err, errElsewhere) {
		return start, false, nil
	}
	if err != nil {
		return start, false, storeFault(s.dir, err)
	}
	return size, true, nil
}

// pieceSum is how much of a file is there.
func (s *Store) pieceSum(ctx context.Context, name string) (size int64, err error) {
	err = s.read.QueryRowContext(ctx, "SELECT size FROM part_files WHERE name = ?", name).Scan(&size)
	if errors.Is(err, sql.ErrNoRows) {
		err = nil
	}
	return size, storeFault(s.dir, err)
}

// takePieces keeps a whole file and forgets its pieces.
func (s *Store) takePieces(ctx context.Context, name, hash string) (out app.File, ok bool, err error) {
	err = s.inBeside(ctx, func(t *sql.Tx) error {
		var size int64
		err := t.QueryRowContext(ctx, "SELECT size FROM part_files WHERE name = ? FOR UPDATE", name).Scan(&size)
		if errors.Is(err, sql.ErrNoRows) {
			return missing(app.TypeAttachment)
		}
		if err != nil {
			return err
		}
		if out, err = s.putBlobIn(ctx, t, &partReader{ctx: ctx, q: t, name: name}, 1<<31); err != nil {
			return err
		}
		_, err = t.ExecContext(ctx, "DELETE FROM part_files WHERE name = ?", name)
		return err
	})
	return out, err == nil && out.Hash == hash, storeFault(s.dir, err)
}

// partReader reads the pieces of a file one after the other.
type partReader struct {
	ctx  context.Context
	q    querier
	name string
	at   int64
	data bytes.Reader
}

func (p *partReader) Read(b []byte) (int, error) {
	if p.data.Len() == 0 {
		var data []byte
		err := p.q.QueryRowContext(p.ctx, "SELECT data FROM part_pieces WHERE name = ? AND at = ?", p.name, p.at).Scan(&data)
		if errors.Is(err, sql.ErrNoRows) {
			return 0, io.EOF
		}
		if err != nil {
			return 0, err
		}
		p.at += int64(len(data))
		p.data.Reset(data)
	}
	return p.data.Read(b)
}
