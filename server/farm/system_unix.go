//go:build unix

package farm

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// lockFile takes the operating system's lock on f, which ends with the process
// at the latest. False: another has it.
func lockFile(f *os.File) (bool, error) {
	err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return false, nil
	}
	return err == nil, err
}

// freeBytes is how much this program may still write beneath a folder.
func freeBytes(folder string) (int64, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(folder, &s); err != nil {
		return 0, err
	}
	return int64(s.Bavail) * int64(s.Bsize), nil
}
