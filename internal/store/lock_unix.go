//go:build unix

package store

import (
	"errors"
	"io"
	"os"
	"syscall"
)

// errLocked says that another process has the lock.
var errLocked = errors.New("store: the folder is in use")

// lockFile takes an exclusive lock that ends with the process, however it ends.
func lockFile(path string) (io.Closer, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		f.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, errLocked
		}
		return nil, err
	}
	return f, nil
}
