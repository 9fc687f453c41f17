package demo

import (
	"embed"
	"io/fs"
	"slices"
)

//go:embed all:files
var embedded embed.FS

// Files returns the estate's files as they are checked in, by name.
func Files() map[string][]byte {
	out := map[string][]byte{}
	root, err := fs.Sub(embedded, "files")
	if err != nil {
		panic(err)
	}
	err = fs.WalkDir(root, ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		out[path], err = fs.ReadFile(root, path)
		return err
	})
	if err != nil {
		panic(err) // an embedded file cannot fail to be read
	}
	return out
}

// Names returns the names of the files in order.
func Names() []string {
	var out []string
	for name := range Files() {
		out = append(out, name)
	}
	slices.Sort(out)
	return out
}
