package record

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// dataSync hands the data of a file, and its length, to the disk.
func dataSync(f *os.File) error {
	for {
		err := unix.Fdatasync(int(f.Fd()))
		if !errors.Is(err, unix.EINTR) {
			return err
		}
	}
}
