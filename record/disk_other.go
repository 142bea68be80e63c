//go:build !linux

package record

import "os"

// dataSync hands the data of a file, and its length, to the disk.
func dataSync(f *os.File) error { return f.Sync() }
