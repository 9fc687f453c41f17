package exchange

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"sort"
	"strings"
	"syscall"
	"testing"

	"sapward/finding"
)

// tree lists the files of a folder with their contents.
func contents(t *testing.T, dir string) string {
	t.Helper()
	var out []string
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := os.ReadFile(p)
		rel, _ := filepath.Rel(dir, p)
		out = append(out, filepath.ToSlash(rel)+"="+string(data))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	sort.Strings(out)
	return strings.Join(out, " ")
}

func put(name, text string) func(*Folder) error {
	return func(f *Folder) error {
		return f.File(name, func(w io.Writer) error { _, err := io.WriteString(w, text); return err })
	}
}

func both(a, b func(*Folder) error) func(*Folder) error {
	return func(f *Folder) error {
		if err := a(f); err != nil {
			return err
		}
		return b(f)
	}
}

var ours = []string{"plan.csv", "plan.json", "rings/*.svg"}

// oneFault returns the only fault of an error.
func oneFault(t *testing.T, err error) *finding.Fault {
	t.Helper()
	fs := finding.AsFaults(err)
	if len(fs) != 1 {
		t.Fatalf("error %v, want one fault", err)
	}
	return fs[0]
}

func TestWriteFolder_MakesAndReplaces(t *testing.T) {
	parent := t.TempDir()
	dir := filepath.Join(parent, "out")
	if err := WriteFolder(dir, ours, both(put("plan.csv", "1"), put("rings/a.svg", "2"))); err != nil {
		t.Fatal(err)
	}
	if got := contents(t, parent); got != "out/plan.csv=1 out/rings/a.svg=2" {
		t.Error(got)
	}
	if err := os.Chmod(dir, 0o750); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, ".DS_Store"), nil, 0o666); err != nil {
		t.Fatal(err)
	}
	if err := WriteFolder(dir, ours, put("plan.json", "3")); err != nil {
		t.Fatal(err)
	}
	if got := contents(t, parent); got != "out/plan.json=3" {
		t.Error(got)
	}
	if info, _ := os.Stat(dir); info.Mode().Perm() != 0o750 {
		t.Errorf("mode %v", info.Mode())
	}
	empty := filepath.Join(parent, "empty")
	if err := os.Mkdir(empty, 0o777); err != nil {
		t.Fatal(err)
	}
	if err := WriteFolder(empty, ours, put("plan.csv", "4")); err != nil || contents(t, empty) != "plan.csv=4" {
		t.Error(err, contents(t, empty))
	}
	link := filepath.Join(parent, "link")
	if err := os.Symlink(dir, link); err != nil {
		t.Fatal(err)
	}
	if err := WriteFolder(link, ours, put("plan.csv", "5")); err != nil || contents(t, dir) != "plan.csv=5" {
		t.Error(err, contents(t, dir))
	}
}

// TestWriteFolder_LeavesAsItWas: whatever goes wrong, the folder is untouched
// and nothing is left beside it.
func TestWriteFolder_LeavesAsItWas(t *testing.T) {
	mine := errors.New("mine")
	full := func(after int) disk {
		d := realDisk
		d.create = func(path string) (diskFile, error) {
			f, err := realDisk.create(path)
			return &fullFile{f, after, nil}, err
		}
		return d
	}
	syncs, renames, second := realDisk, realDisk, realDisk
	syncs.create = func(path string) (diskFile, error) {
		f, err := realDisk.create(path)
		return &fullFile{f, 1 << 30, syscall.EIO}, err
	}
	renames.rename = func(from, to string) error {
		return &os.LinkError{Op: "rename", Old: from, New: to, Err: syscall.EBUSY}
	}
	moved := 0
	second.rename = func(from, to string) error {
		if moved++; moved == 2 {
			return syscall.EACCES
		}
		return os.Rename(from, to)
	}
	big := put("rings/b.svg", strings.Repeat("x", 1<<20))
	for _, c := range []struct {
		name  string
		write func(*Folder) error
		disk  disk
		want  string
	}{
		{"error of the writer", both(put("plan.csv", "new"), func(*Folder) error { return mine }), realDisk, "mine"},
		{"disk full at once", big, full(0), "disk-full"},
		{"disk full late", both(put("plan.csv", "new"), big), full(1 << 19), "disk-full"},
		{"write error swallowed", func(f *Folder) error {
			return f.File("plan.csv", func(w io.Writer) error { w.Write(make([]byte, 1<<20)); return nil })
		}, full(10), "disk-full"},
		{"sync fails", put("plan.csv", "new"), syncs, "file-unwritable"},
		{"folder busy", put("plan.csv", "new"), renames, "folder-busy"},
		{"second move fails", put("plan.csv", "new"), second, "folder-denied"},
		{"name outside", put("../plan.csv", "new"), realDisk, "internal"},
		{"name twice", both(put("plan.csv", "new"), put("plan.csv", "new")), realDisk, "file-unwritable"},
	} {
		t.Run(c.name, func(t *testing.T) {
			parent := t.TempDir()
			dir := filepath.Join(parent, "out")
			if err := WriteFolder(dir, ours, put("plan.csv", "old")); err != nil {
				t.Fatal(err)
			}
			err := writeFolder(dir, ours, c.write, c.disk)
			if c.want == "mine" {
				if err != mine {
					t.Errorf("error %v", err)
				}
			} else if f := oneFault(t, err); f.ID != c.want {
				t.Errorf("fault %v, want %s", f, c.want)
			} else if c.want == "disk-full" && !strings.HasPrefix(f.Where.File, dir) {
				t.Errorf("fault names %q", f.Where.File)
			}
			if got := contents(t, parent); got != "out/plan.csv=old" {
				t.Errorf("left %.200s", got)
			}
			if names, _ := os.ReadDir(parent); len(names) != 1 {
				t.Errorf("left beside it: %v", names)
			}
		})
	}
}

// fullFile writes so many bytes and then has no room; with fail set, forcing to
// the disk fails.
type fullFile struct {
	diskFile
	room int
	fail error
}

func (f *fullFile) Write(p []byte) (int, error) {
	if len(p) > f.room {
		n, _ := f.diskFile.Write(p[:f.room])
		f.room = 0
		return n, &fs.PathError{Op: "write", Path: "x", Err: syscall.ENOSPC}
	}
	f.room -= len(p)
	return f.diskFile.Write(p)
}

func (f *fullFile) Sync() error {
	if f.fail != nil {
		return f.fail
	}
	return f.diskFile.Sync()
}

func TestWriteFolder_Panic(t *testing.T) {
	parent := t.TempDir()
	func() {
		defer func() { recover() }()
		WriteFolder(filepath.Join(parent, "out"), ours, both(put("plan.csv", "x"), func(*Folder) error { panic("x") }))
	}()
	if names, _ := os.ReadDir(parent); len(names) != 0 {
		t.Errorf("left %v", names)
	}
}

func TestWriteFolder_Refuses(t *testing.T) {
	parent := t.TempDir()
	file := filepath.Join(parent, "file")
	if err := os.WriteFile(file, []byte("mine"), 0o666); err != nil {
		t.Fatal(err)
	}
	foreign := filepath.Join(parent, "foreign")
	for _, d := range []string{foreign, filepath.Join(parent, "linked"), filepath.Join(parent, "deep", "more")} {
		if err := os.MkdirAll(d, 0o777); err != nil {
			t.Fatal(err)
		}
	}
	for name, text := range map[string]string{"foreign/plan.csv": "x", "foreign/photo.jpg": "y", "deep/more/plan.csv": "z"} {
		if err := os.WriteFile(filepath.Join(parent, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Symlink(file, filepath.Join(parent, "linked", "plan.csv")); err != nil {
		t.Fatal(err)
	}
	before := contents(t, parent)
	for dir, want := range map[string]string{
		file:                                 "folder-is-file",
		filepath.Join(file, "out"):           "folder-no-parent",
		filepath.Join(parent, "none", "out"): "folder-no-parent",
		foreign:                              "folder-foreign",
		filepath.Join(parent, "linked"):      "folder-foreign",
		filepath.Join(parent, "deep"):        "folder-foreign",
		"":                                   "folder-no-parent",
	} {
		called := false
		err := WriteFolder(dir, ours, func(*Folder) error { called = true; return nil })
		if f := oneFault(t, err); f.ID != want || called {
			t.Errorf("%q: %v, called %v; want %s", dir, f, called, want)
		}
	}
	if after := contents(t, parent); after != before {
		t.Errorf("before %s\nafter %s", before, after)
	}
}

// mounted mounts a small file system in memory, or skips the test.
func mounted(t *testing.T, options string) string {
	t.Helper()
	dir := t.TempDir()
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", options, "tmpfs", dir).CombinedOutput(); err != nil {
		t.Skipf("no small file system can be mounted here: %v %s", err, out)
	}
	t.Cleanup(func() {
		if out, err := exec.Command("umount", dir).CombinedOutput(); err != nil {
			t.Errorf("umount: %v %s", err, out)
		}
	})
	return dir
}

func TestWriteFolder_SmallDisk(t *testing.T) {
	parent := mounted(t, "size=256k")
	dir := filepath.Join(parent, "out")
	if err := WriteFolder(dir, ours, put("plan.csv", "old")); err != nil {
		t.Fatal(err)
	}
	err := WriteFolder(dir, ours, both(put("plan.csv", "new"), put("rings/a.svg", strings.Repeat("x", 1<<20))))
	if f := oneFault(t, err); f.ID != "disk-full" || f.Class != finding.Storage || f.Where.File != filepath.Join(dir, "rings", "a.svg") {
		t.Errorf("fault %v at %v", f, f.Where)
	}
	if got := contents(t, parent); got != "out/plan.csv=old" {
		t.Errorf("left %.200s", got)
	}
	// A mount point itself cannot be moved aside.
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	if f := oneFault(t, WriteFolder(parent, ours, put("plan.csv", "x"))); f.ID != "folder-busy" {
		t.Errorf("mount point: %v", f)
	}
}

func TestWriteFolder_ReadOnlyDisk(t *testing.T) {
	parent := mounted(t, "size=256k,ro")
	if f := oneFault(t, WriteFolder(filepath.Join(parent, "out"), ours, put("plan.csv", "x"))); f.ID != "folder-read-only" {
		t.Errorf("%v", f)
	}
}

func TestWriteFolder_Unwritable(t *testing.T) {
	parent := t.TempDir()
	if err := os.Chmod(parent, 0o555); err != nil {
		t.Fatal(err)
	}
	defer os.Chmod(parent, 0o755)
	if os.Mkdir(filepath.Join(parent, "probe"), 0o777) == nil {
		os.Remove(filepath.Join(parent, "probe"))
		// The administrator may write anywhere; the rule is held on the fault.
		if f := writeFault("out", &fs.PathError{Op: "mkdir", Path: "out", Err: syscall.EACCES}); f.ID != "folder-denied" || f.Class != finding.Storage {
			t.Errorf("%v", f)
		}
		return
	}
	if f := oneFault(t, WriteFolder(filepath.Join(parent, "out"), ours, put("plan.csv", "x"))); f.ID != "folder-denied" {
		t.Errorf("%v", f)
	}
}
