package store

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"sapward/finding"
	"sapward/internal/app"
)

// partsName is the folder of files that arrive in pieces. They are no facts
// yet: nothing speaks of them, a backup leaves them out, and pieces that
// nobody came back for in partLife are thrown away.
const (
	partsName = "parts"
	partLife  = 92 * 24 * time.Hour
)

func (s *Store) part(name string) (string, error) {
	if name == "" || len(name) > 200 {
		return "", &finding.Fault{Class: finding.Usage, ID: "text-unclean"}
	}
	for i := range len(name) {
		if c := name[i]; !(c >= '0' && c <= '9' || c >= 'a' && c <= 'f' || c == '-') {
			return "", &finding.Fault{Class: finding.Usage, ID: "text-unclean"}
		}
	}
	return filepath.Join(s.dir, partsName, name), nil
}

// PartSize returns how much of a file is there.
func (s *Store) PartSize(ctx context.Context, name string) (int64, error) {
	path, err := s.part(name)
	if err != nil {
		return 0, err
	}
	if s.shared {
		return s.pieceSum(ctx, name)
	}
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, storeFault(path, err)
	}
	return info.Size(), nil
}

// Parts counts the files that have begun to arrive under a prefix, but one.
func (s *Store) Parts(ctx context.Context, prefix, but string) (files int, bytes int64, err error) {
	if _, err := s.part(prefix); err != nil {
		return 0, 0, err
	}
	if s.shared {
		err := s.read.QueryRowContext(ctx, "SELECT COUNT(*), COALESCE(SUM(size), 0) FROM part_files WHERE name LIKE ? AND name <> ?", prefix+"%", but).Scan(&files, &bytes)
		return files, bytes, storeFault(s.dir, err)
	}
	list, err := os.ReadDir(filepath.Join(s.dir, partsName))
	if errors.Is(err, fs.ErrNotExist) {
		return 0, 0, nil
	}
	for _, e := range list {
		if !strings.HasPrefix(e.Name(), prefix) || e.Name() == but {
			continue
		}
		if info, err := e.Info(); err == nil {
			files++
			bytes += info.Size()
		}
	}
	return files, bytes, storeFault(s.dir, err)
}

// AddPart adds bytes at the end of a file; they are on the disk when it returns.
func (s *Store) AddPart(ctx context.Context, name string, from int64, r io.Reader, most int64) (size int64, ok bool, err error) {
	path, err := s.part(name)
	if err != nil {
		return 0, false, err
	}
	if s.shared {
		return s.addPiece(ctx, name, from, r, most)
	}
	if s.unclean {
		return 0, false, &finding.Fault{Class: finding.Storage, ID: "store-read-only", Where: finding.Where{File: s.dir}}
	}
	s.partsMu.Lock()
	defer s.partsMu.Unlock()
	if size, err = s.PartSize(ctx, name); err != nil || size != from {
		return size, false, err
	}
	if size == 0 {
		s.sweepParts()
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return size, false, storeFault(path, err)
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return size, false, storeFault(path, err)
	}
	n, err := io.Copy(f, io.LimitReader(r, most-size+1))
	if err == nil && size+n > most {
		err = &finding.Fault{Class: finding.BadInput, ID: "file-too-big", Args: finding.Args{"mb": finding.Count(int(most >> 20))}}
	}
	if err == nil {
		err = f.Sync()
	}
	if closed := f.Close(); err == nil {
		err = closed
	}
	if err != nil { // what came of a broken line is cut off again: the next try begins where this one did
		_ = os.Truncate(path, size)
		return size, false, storeFault(path, err)
	}
	return size + n, true, nil
}

// TakePart keeps a whole file and forgets its pieces.
func (s *Store) TakePart(ctx context.Context, name, hash string) (out app.File, ok bool, err error) {
	path, err := s.part(name)
	if err != nil {
		return out, false, err
	}
	if s.shared {
		return s.takePieces(ctx, name, hash)
	}
	s.partsMu.Lock()
	defer s.partsMu.Unlock()
	f, err := os.Open(path)
	if err != nil {
		return out, false, storeFault(path, err)
	}
	out, err = s.PutFile(ctx, f, 1<<31)
	_ = f.Close()
	if err != nil {
		return out, false, err
	}
	_ = os.Remove(path)
	return out, out.Hash == hash, nil
}

// sweepParts throws away pieces that nobody came back for.
func (s *Store) sweepParts() {
	list, _ := os.ReadDir(filepath.Join(s.dir, partsName))
	for _, e := range list {
		if info, err := e.Info(); err == nil && s.now().Sub(info.ModTime()) > partLife {
			_ = os.Remove(filepath.Join(s.dir, partsName, e.Name()))
		}
	}
}
