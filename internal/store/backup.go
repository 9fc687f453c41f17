package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"sapward/finding"
	"sapward/internal/app"
)

// ManifestSchema names the form of a backup's manifest.
const ManifestSchema = "sapward/backup/1"

const manifestName = "manifest.json"

// Manifest says what a backup holds.
type Manifest struct {
	Schema   string `json:"schema"`
	At       string `json:"at"`
	Events   int64  `json:"events"`
	Head     string `json:"head"`     // hash of the last event
	Database string `json:"database"` // SHA-256 of the database
	Files    int    `json:"files"`
}

// Backup writes a copy of everything into a new folder under dir while the
// server goes on: the facts as of one moment without the sessions, the files
// they speak of, and a manifest. The copy is a data folder, whichever database
// the facts are in. It is opened and checked before it takes its name; a copy
// that fails is removed.
func (s *Store) Backup(ctx context.Context, dir string) (out app.BackupReport, err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return out, storeFault(dir, err)
	}
	at := s.now().UTC()
	fresh, err := os.MkdirTemp(dir, ".new-backup-*")
	if err != nil {
		return out, storeFault(dir, err)
	}
	defer func() {
		if err != nil {
			os.RemoveAll(fresh)
		}
	}()
	if s.shared {
		err = s.copyDatabase(ctx, fresh)
	} else {
		err = s.copyFolder(ctx, fresh)
	}
	if err != nil {
		return out, storeFault(dir, err)
	}
	copied, err := Open(ctx, Options{Dir: fresh, ReadOnly: true, Now: s.now})
	if err != nil {
		return out, err
	}
	defer copied.Close()
	if !s.shared {
		if err := s.copyFiles(ctx, copied, fresh); err != nil {
			return out, storeFault(dir, err)
		}
	}
	report, err := copied.Check(ctx, nil)
	if err != nil {
		return out, err
	}
	if n := len(report.Findings); n > 0 {
		return out, &finding.Fault{Class: finding.Storage, ID: "backup-unclean", Where: finding.Where{File: s.dir}, Args: finding.Args{"count": finding.Count(n)}}
	}
	copied.Close()
	m := Manifest{Schema: ManifestSchema, At: at.Format(app.TimeForm), Events: report.Events, Head: report.Head, Files: report.Attachments}
	for _, beside := range []string{dbName + "-wal", dbName + "-shm", lockName, lastName} {
		_ = os.Remove(filepath.Join(fresh, beside))
	}
	var size int64
	if m.Database, size, err = hashFile(filepath.Join(fresh, dbName)); err != nil {
		return out, storeFault(dir, err)
	}
	data, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return out, err
	}
	if err := writeSynced(filepath.Join(fresh, manifestName), append(data, '\n')); err != nil {
		return out, storeFault(dir, err)
	}
	if err := syncFile(filepath.Join(fresh, dbName)); err != nil {
		return out, storeFault(dir, err)
	}
	name := filepath.Join(dir, "sapward-"+at.Format("20060102T150405")+"Z")
	for n := 2; ; n++ {
		if _, err := os.Lstat(name); errors.Is(err, fs.ErrNotExist) {
			break
		}
		name = filepath.Join(dir, fmt.Sprintf("sapward-%sZ-%d", at.Format("20060102T150405"), n))
	}
	if err := os.Rename(fresh, name); err != nil {
		return out, storeFault(dir, err)
	}
	if err := syncDir(dir); err != nil {
		return out, storeFault(dir, err)
	}
	return app.BackupReport{Folder: name, Events: m.Events, Head: m.Head, Attachments: m.Files, Bytes: size}, nil
}

// copyFolder copies the SQLite database as of one moment.
func (s *Store) copyFolder(ctx context.Context, fresh string) error {
	source, err := sql.Open("sqlite", dsn(filepath.Join(s.dir, dbName), nil)) // the readers' connections may not even write a copy
	if err != nil {
		return err
	}
	_, err = source.ExecContext(ctx, "VACUUM INTO ?", filepath.Join(fresh, dbName))
	if err = errors.Join(err, source.Close()); err != nil {
		return err
	}
	return withoutBeside(ctx, filepath.Join(fresh, dbName))
}

// copyFiles copies the files that a copied database speaks of.
func (s *Store) copyFiles(ctx context.Context, copied *Store, fresh string) error {
	hashes, err := texts(ctx, copied.read, "SELECT DISTINCT hash FROM files")
	if err != nil {
		return err
	}
	for _, h := range hashes {
		if !isHash(h) {
			continue // the check says so
		}
		if err := copyFile(pathOf(s.dir, h), pathOf(fresh, h)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return nil
}

// copyDatabase carries the facts of a PostgreSQL database, as one snapshot sees
// them, into a data folder: nobody waits meanwhile. Every row is compared.
func (s *Store) copyDatabase(ctx context.Context, fresh string) (err error) {
	to, err := Open(ctx, Options{Dir: fresh, Now: s.now})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, to.Close()) }()
	raw, err := s.read.BeginTx(ctx, &sql.TxOptions{Isolation: sql.LevelRepeatableRead, ReadOnly: true})
	if err != nil {
		return err
	}
	defer raw.Rollback()
	var r MoveReport
	return r.carry(ctx, s, to, &tx{reader: reader{q: raw}, s: s, tx: raw}, func(_, _ int64) {})
}

// Made is a backup that lies in a folder.
type Made struct {
	Folder string
	At     time.Time
	Manifest
}

// Backups lists the backups in a folder, oldest first. What is no backup is left
// out.
func Backups(dir string) ([]Made, error) {
	list, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, storeFault(dir, err)
	}
	var out []Made
	for _, e := range list {
		if !e.IsDir() || e.Name()[0] == '.' {
			continue
		}
		m := Made{Folder: filepath.Join(dir, e.Name())}
		data, err := os.ReadFile(filepath.Join(m.Folder, manifestName))
		if err != nil || json.Unmarshal(data, &m.Manifest) != nil || m.Schema != ManifestSchema {
			continue
		}
		if m.At, err = time.Parse(app.TimeForm, m.Manifest.At); err == nil {
			out = append(out, m)
		}
	}
	slices.SortStableFunc(out, func(a, b Made) int { return a.At.Compare(b.At) })
	return out, nil
}

// DropBackup removes a backup. It takes another name first, so that one that is
// half gone is never taken for whole.
func DropBackup(m Made) error {
	gone := filepath.Join(filepath.Dir(m.Folder), ".old-"+filepath.Base(m.Folder))
	if err := os.Rename(m.Folder, gone); err != nil {
		return storeFault(m.Folder, err)
	}
	return storeFault(gone, os.RemoveAll(gone))
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	if err := os.MkdirAll(filepath.Dir(to), 0o700); err != nil {
		return err
	}
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	if err == nil {
		err = out.Sync()
	}
	return errors.Join(err, out.Close())
}

func writeSynced(path string, data []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

func syncFile(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// RestoreInto puts a backup into a database that holds no facts. The backup is
// laid out as a data folder first, checked, and carried over from there; every
// row is compared before anything is kept.
func RestoreInto(ctx context.Context, backup string, to *Store, progress func(done, of int64)) (MoveReport, error) {
	parent, err := os.MkdirTemp("", "sapward-restore-*")
	if err != nil {
		return MoveReport{}, storeFault(backup, err)
	}
	defer os.RemoveAll(parent)
	dir := filepath.Join(parent, "data")
	if _, _, err := Restore(ctx, backup, dir, false); err != nil {
		return MoveReport{}, err
	}
	from, err := Open(ctx, Options{Dir: dir})
	if err != nil {
		return MoveReport{}, err
	}
	defer from.Close()
	return Move(ctx, from, to, progress)
}

// Restore puts a backup in the place of a data folder that nobody has open. The
// backup is checked first. A folder that holds events the backup does not know
// is refused unless replaceNewer says so; what was there is moved aside and its
// new name returned, never deleted.
func Restore(ctx context.Context, backup, dir string, replaceNewer bool) (report app.CheckReport, aside string, err error) {
	var m Manifest
	data, err := os.ReadFile(filepath.Join(backup, manifestName))
	if err == nil {
		err = json.Unmarshal(data, &m)
	}
	if err != nil || m.Schema != ManifestSchema {
		return report, "", &finding.Fault{Class: finding.BadInput, ID: "restore-no-backup", Where: finding.Where{File: backup}, Cause: err}
	}
	if got, _, err := hashFile(filepath.Join(backup, dbName)); err != nil || got != m.Database {
		return report, "", &finding.Fault{Class: finding.BadInput, ID: "restore-damaged", Where: finding.Where{File: backup}, Cause: err}
	}
	parent := filepath.Dir(filepath.Clean(dir))
	fresh, err := os.MkdirTemp(parent, ".new-restore-*")
	if err != nil {
		return report, "", storeFault(parent, err)
	}
	defer func() {
		if err != nil {
			os.RemoveAll(fresh)
		}
	}()
	err = filepath.WalkDir(backup, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !d.Type().IsRegular() {
			return err
		}
		rel, err := filepath.Rel(backup, path)
		if err != nil || rel == manifestName {
			return err
		}
		return copyFile(path, filepath.Join(fresh, rel))
	})
	if err != nil {
		return report, "", storeFault(dir, err)
	}
	copied, err := Open(ctx, Options{Dir: fresh}) // brings the tables of an earlier version up to date
	if err != nil {
		return report, "", err
	}
	report, err = copied.Check(ctx, nil)
	if err == nil && (len(report.Findings) > 0 || report.Head != m.Head || report.Events != m.Events) {
		err = &finding.Fault{Class: finding.BadInput, ID: "restore-damaged", Where: finding.Where{File: backup}}
	}
	closed := copied.Close()
	if err == nil {
		err = closed
	}
	if err != nil {
		return report, "", err
	}
	if _, statErr := os.Stat(filepath.Join(dir, dbName)); statErr == nil {
		if err = newer(ctx, dir, m, replaceNewer); err != nil {
			return report, "", err
		}
		aside = filepath.Clean(dir) + ".before-" + time.Now().UTC().Format("20060102T150405Z")
		if err = os.Rename(dir, aside); err != nil {
			return report, "", storeFault(dir, err)
		}
	} else if _, statErr := os.Stat(dir); statErr == nil {
		if err = os.Remove(dir); err != nil { // only an empty folder goes
			return report, "", &finding.Fault{Class: finding.Conflict, ID: "folder-foreign", Where: finding.Where{File: dir}, Args: finding.Args{"folder": finding.Text(dir), "name": finding.Text("?")}, Cause: err}
		}
	}
	if err = os.Rename(fresh, dir); err != nil {
		if aside != "" {
			err = errors.Join(err, os.Rename(aside, dir))
		}
		return report, "", storeFault(dir, err)
	}
	return report, aside, storeFault(dir, syncDir(parent))
}

// newer refuses a folder that is in use, or that holds events the backup lacks.
func newer(ctx context.Context, dir string, m Manifest, replace bool) error {
	s, err := Open(ctx, Options{Dir: dir})
	var f *finding.Fault
	if errors.As(err, &f) && f.ID == "store-in-use" {
		return err
	}
	if err != nil {
		return nil // damaged: a backup is what helps, and it is only moved aside
	}
	defer s.Close()
	last, err := s.Events(ctx, app.EventQuery{Limit: 1})
	if err != nil || len(last) == 0 || replace {
		return nil
	}
	known := last[0].Seq <= m.Events
	if known && last[0].Seq == m.Events {
		known = last[0].Hash == m.Head
	}
	if !known {
		return &finding.Fault{Class: finding.Conflict, ID: "restore-newer", Where: finding.Where{File: dir}, Args: finding.Args{"at": finding.Text(last[0].At), "backup": finding.Text(m.At)}}
	}
	return nil
}
