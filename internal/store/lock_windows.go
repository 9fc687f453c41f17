package store

import (
	"errors"
	"io"
	"os"
	"syscall"
)

// errLocked says that another process has the lock.
var errLocked = errors.New("store: the folder is in use")

// lockFile opens a file that no other process may open, until this one ends.
func lockFile(path string) (io.Closer, error) {
	name, err := syscall.UTF16PtrFromString(path)
	if err != nil {
		return nil, err
	}
	const sharingViolation = syscall.Errno(32)
	h, err := syscall.CreateFile(name, syscall.GENERIC_READ|syscall.GENERIC_WRITE, 0, nil, syscall.OPEN_ALWAYS, syscall.FILE_ATTRIBUTE_NORMAL, 0)
	if errors.Is(err, sharingViolation) {
		return nil, errLocked
	}
	if err != nil {
		return nil, err
	}
	return os.NewFile(uintptr(h), path), nil
}
