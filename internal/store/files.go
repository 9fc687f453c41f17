package store

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"

	"sapward/finding"
	"sapward/internal/app"
)

// disk is what keeping a file asks of the operating system, so that a test can
// have it fail.
type disk struct {
	temp   func(dir string) (tempFile, error)
	rename func(from, to string) error
	sync   func(dir string) error
}

type tempFile interface {
	io.Writer
	Name() string
	Sync() error
	Close() error
}

var realDisk = disk{
	temp:   func(dir string) (tempFile, error) { return os.CreateTemp(dir, ".new-*") },
	rename: os.Rename,
	sync:   syncDir,
}

// syncDir forces a folder's list of names to the disk. Systems that cannot sync
// a folder do so by themselves.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return nil
	}
	defer d.Close()
	if err := d.Sync(); err != nil && (errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EIO)) {
		return err
	}
	return nil
}

// pathOf is where the file of a hash lies.
func pathOf(dir, hash string) string { return filepath.Join(dir, filesName, hash[:2], hash) }

// isHash reports 64 hexadecimal digits, so that no name leads out of the folder.
func isHash(s string) bool {
	if len(s) != 64 {
		return false
	}
	for i := range len(s) {
		if c := s[i]; !(c >= '0' && c <= '9' || c >= 'a' && c <= 'f') {
			return false
		}
	}
	return true
}

// PutFile keeps bytes under their SHA-256: written aside, forced to the disk,
// renamed, and the folder forced too. Bytes that are kept already are written
// again in their place, which mends a file that was damaged.
func (s *Store) PutFile(ctx context.Context, r io.Reader, limit int64) (out app.File, err error) {
	if s.shared {
		return s.putBlob(ctx, r, limit)
	}
	base := filepath.Join(s.dir, filesName)
	if s.unclean {
		return out, &finding.Fault{Class: finding.Storage, ID: "store-read-only", Where: finding.Where{File: s.dir}}
	}
	if err := os.MkdirAll(base, 0o700); err != nil {
		return out, storeFault(base, err)
	}
	f, err := s.disk.temp(base)
	if err != nil {
		return out, storeFault(base, err)
	}
	defer func() {
		if err != nil {
			os.Remove(f.Name())
		}
	}()
	sum := sha256.New()
	n, err := io.Copy(io.MultiWriter(f, sum), io.LimitReader(r, limit+1))
	if err == nil && n <= limit {
		err = f.Sync()
	}
	if closed := f.Close(); err == nil {
		err = closed
	}
	if err != nil {
		return out, storeFault(base, err)
	}
	if n > limit {
		return out, &finding.Fault{Class: finding.BadInput, ID: "file-large", Args: finding.Args{"most": finding.Number(float64(limit)/(1<<20), "MB")}}
	}
	out = app.File{Hash: hex.EncodeToString(sum.Sum(nil)), Size: n}
	to := pathOf(s.dir, out.Hash)
	if err = os.MkdirAll(filepath.Dir(to), 0o700); err == nil {
		if err = s.disk.rename(f.Name(), to); err == nil {
			if err = s.disk.sync(filepath.Dir(to)); err == nil {
				err = s.disk.sync(base)
			}
		}
	}
	return out, storeFault(base, err)
}

// OpenFile opens what PutFile kept.
func (s *Store) OpenFile(ctx context.Context, hash string) (io.ReadSeekCloser, error) {
	if !isHash(hash) {
		return nil, missing(app.TypeAttachment)
	}
	if s.shared {
		return s.openBlob(ctx, hash)
	}
	f, err := os.Open(pathOf(s.dir, hash))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, missing(app.TypeAttachment)
	}
	if err != nil {
		return nil, storeFault(s.dir, err)
	}
	return f, nil
}

// hashFile reads a file and returns its SHA-256 and size.
func hashFile(path string) (string, int64, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", 0, err
	}
	defer f.Close()
	sum := sha256.New()
	n, err := io.Copy(sum, f)
	return hex.EncodeToString(sum.Sum(nil)), n, err
}
