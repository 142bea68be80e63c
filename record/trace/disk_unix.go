//go:build unix

package trace

import "os"

// syncFolder makes the names in a folder survive a cut in power.
func syncFolder(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer f.Close()
	_ = f.Sync() // some file systems cannot do this to a folder; nothing better is to be had there
	return nil
}
