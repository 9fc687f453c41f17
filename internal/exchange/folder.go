package exchange

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"

	"sapward/finding"
)

// Folder is a folder being written. It becomes visible only when it is
// complete.
type Folder struct {
	dir  string // hidden folder the files go to
	name string // folder the user named, for messages
	disk disk
}

// disk is what WriteFolder asks of the operating system, so that a test can
// have it fail.
type disk struct {
	create func(path string) (diskFile, error)
	rename func(from, to string) error
}

type diskFile interface {
	io.Writer
	Sync() error
	Close() error
}

var realDisk = disk{
	create: func(path string) (diskFile, error) {
		return os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	},
	rename: os.Rename,
}

// besideNames are files that desktops put into folders by themselves.
var besideNames = map[string]bool{".DS_Store": true, "Thumbs.db": true, "desktop.ini": true}

// File writes one file of the folder; name may hold folders, with slashes. The
// file is on the disk when File returns. A name outside the folder, or one
// written before, is a programmer's mistake and comes back as an internal fault.
func (f *Folder) File(name string, write func(w io.Writer) error) error {
	if !fs.ValidPath(name) || name == "." || strings.ContainsRune(name, '\\') {
		return &finding.Fault{Class: finding.Internal, ID: "internal", Args: finding.Args{"cause": finding.Text("file name " + show(name))}}
	}
	full := filepath.Join(f.dir, filepath.FromSlash(name))
	shown := filepath.Join(f.name, filepath.FromSlash(name))
	if sub := filepath.Dir(full); sub != f.dir {
		if err := os.MkdirAll(sub, 0o777); err != nil {
			return writeFault(shown, err)
		}
	}
	out, err := f.disk.create(full)
	if err != nil {
		return writeFault(shown, err)
	}
	guard := &guarded{w: out}
	buffered := bufio.NewWriterSize(guard, rowBuffer)
	err = write(buffered)
	if flushed := buffered.Flush(); err == nil {
		err = flushed
	}
	if err == nil {
		err = out.Sync()
		guard.err = err
	}
	if closed := out.Close(); err == nil {
		err, guard.err = closed, closed
	}
	if guard.err != nil { // the disk is at fault, whatever was made of it above
		return writeFault(shown, guard.err)
	}
	return err
}

// guarded remembers the error of the disk, so that it is told apart from an
// error of the code that writes.
type guarded struct {
	w   io.Writer
	err error
}

func (g *guarded) Write(p []byte) (int, error) {
	if g.err != nil {
		return 0, g.err
	}
	n, err := g.w.Write(p)
	if err == nil && n < len(p) {
		err = io.ErrShortWrite
	}
	g.err = err
	return n, err
}

// WriteFolder has write make the files of a folder. They go to a hidden folder
// beside dir, each forced to the disk, and that folder then takes dir's name:
// dir holds all of the new files or is as it was before. If dir exists it must
// be empty or hold only files that the program writes: known lists their names
// as patterns of path.Match with slashes, such as "plan.csv" or "rings/*.svg".
// The old folder is moved aside, the new one moved in, and the old one removed;
// should the second move fail, the first is taken back. Between the two moves,
// for an instant, there is no dir; a machine that loses power just then keeps
// both folders complete under hidden names.
//
// Whatever goes wrong, the hidden folder is removed and the fault names the
// path: folder-is-file, folder-foreign, folder-no-parent, folder-denied,
// folder-read-only, folder-busy, disk-full or file-unwritable; an error that
// write itself returns comes back as it is.
func WriteFolder(dir string, known []string, write func(*Folder) error) error {
	return writeFolder(dir, known, write, realDisk)
}

var folderCount atomic.Int64

func writeFolder(dir string, known []string, write func(*Folder) error, disk disk) (err error) {
	target, mode, err := examine(dir, known)
	if err != nil {
		return err
	}
	parent, base := filepath.Split(target)
	hidden := func(what string) string {
		return filepath.Join(parent, fmt.Sprintf(".%s.%s-%d-%d", base, what, os.Getpid(), folderCount.Add(1)))
	}
	fresh := hidden("new")
	if err := os.Mkdir(fresh, 0o777); err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return folderFault("folder-no-parent", finding.Missing, dir, err)
		}
		return writeFault(dir, err)
	}
	defer func() {
		if p := recover(); p != nil {
			os.RemoveAll(fresh)
			panic(p)
		}
		if err != nil {
			os.RemoveAll(fresh)
		}
	}()
	if err := write(&Folder{dir: fresh, name: dir, disk: disk}); err != nil {
		return err
	}
	if err := syncTree(fresh); err != nil {
		return writeFault(dir, err)
	}
	if mode != 0 {
		if err := os.Chmod(fresh, mode); err != nil {
			return writeFault(dir, err)
		}
	}
	old := ""
	if mode != 0 {
		// Somebody may have put a file there meanwhile.
		if _, _, err := examine(dir, known); err != nil {
			return err
		}
		old = hidden("old")
		if err := disk.rename(target, old); err != nil {
			return writeFault(dir, err)
		}
	}
	if err := disk.rename(fresh, target); err != nil {
		if old != "" {
			if back := os.Rename(old, target); back != nil {
				fault := folderFault("folder-aside", finding.Storage, dir, errors.Join(err, back))
				fault.Args["aside"] = finding.Text(old)
				return fault
			}
		}
		return writeFault(dir, err)
	}
	_ = syncDir(parent) // the files are safe already; a folder that cannot be synced is no failure
	if old != "" {
		os.RemoveAll(old)
	}
	return nil
}

// examine returns the absolute path to write, links resolved, and the mode of
// the folder that is there, 0 if there is none.
func examine(dir string, known []string) (string, fs.FileMode, error) {
	abs, err := filepath.Abs(dir)
	if err != nil || dir == "" {
		return "", 0, folderFault("folder-no-parent", finding.Missing, dir, err)
	}
	if real, err := filepath.EvalSymlinks(abs); err == nil {
		abs = real
	}
	info, err := os.Lstat(abs)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return abs, 0, nil
	case errors.Is(err, syscall.ENOTDIR):
		return "", 0, folderFault("folder-no-parent", finding.Missing, dir, err)
	case err != nil:
		return "", 0, writeFault(dir, err)
	case !info.IsDir():
		return "", 0, folderFault("folder-is-file", finding.Usage, dir, nil)
	}
	foreign := ""
	err = filepath.WalkDir(abs, func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, err := filepath.Rel(abs, p)
		if err != nil {
			return err
		}
		rel = filepath.ToSlash(rel)
		if d.Type().IsRegular() && (besideNames[d.Name()] || matchAny(known, rel)) {
			return nil
		}
		foreign = rel
		return fs.SkipAll
	})
	if err != nil {
		return "", 0, writeFault(dir, err)
	}
	if foreign != "" {
		fault := folderFault("folder-foreign", finding.Conflict, dir, nil)
		fault.Args["name"] = finding.Text(show(foreign))
		return "", 0, fault
	}
	return abs, info.Mode().Perm(), nil
}

func matchAny(patterns []string, name string) bool {
	for _, p := range patterns {
		if ok, _ := path.Match(p, name); ok {
			return true
		}
	}
	return false
}

// syncTree forces every folder's list of names to the disk.
func syncTree(dir string) error {
	return filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil || !d.IsDir() {
			return err
		}
		return syncDir(p)
	})
}

// syncDir forces one folder to the disk. Systems that cannot open or sync a
// folder do so by themselves.
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

func folderFault(id string, class finding.Class, dir string, cause error) *finding.Fault {
	return &finding.Fault{Class: class, ID: id, Where: finding.Where{File: dir}, Args: finding.Args{"folder": finding.Text(dir)}, Cause: cause}
}

// writeFault turns an error of the operating system on writing into a fault.
func writeFault(name string, err error) *finding.Fault {
	var f *finding.Fault
	if errors.As(err, &f) {
		return f
	}
	out := &finding.Fault{Class: finding.Storage, ID: "file-unwritable", Where: finding.Where{File: name}, Args: finding.Args{"file": finding.Text(name)}, Cause: err}
	switch {
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		out.ID = "disk-full"
	case errors.Is(err, syscall.EROFS):
		out.ID = "folder-read-only"
	case errors.Is(err, syscall.EBUSY):
		out.ID = "folder-busy"
	case errors.Is(err, fs.ErrPermission):
		out.ID = "folder-denied"
	}
	return out
}

// WriteFile replaces one file: written aside, forced to the disk, renamed.
func WriteFile(path string, data []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".sapward-*")
	if err != nil {
		return finding.Faults{writeFault(path, err)}
	}
	name := f.Name()
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	if closeErr := f.Close(); err == nil {
		err = closeErr
	}
	if err == nil {
		err = os.Chmod(name, 0o644)
	}
	if err == nil {
		err = os.Rename(name, path)
	}
	if err != nil {
		os.Remove(name)
		return finding.Faults{writeFault(path, err)}
	}
	return nil
}
