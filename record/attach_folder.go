package record

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"sort"
	"strings"
)

// AttachFolder enters the files of a folder of the record, which were made from the record, into the manifest with their hashes, where there is
// one, and takes out those that are no longer there. The folders of the run itself cannot be attached.
func AttachFolder(dir, folder string) error {
	if folder != cleanName(folder) || strings.Contains(folder, "/") || folder == InputsFolder || folder == TracesFolder || folder == AnalysisFolder || folder == EmulationFolder {
		return errors.New("record: the folder " + folder + " cannot be attached")
	}
	data, err := readManifestFile(dir)
	if err != nil || data == nil {
		return err
	}
	m, err := parseManifest(data)
	if _, right := ownHash(data); err != nil || !right {
		return nil // it was altered: with new hashes in it nobody would see that any more
	}
	var list []File
	for _, f := range m.Files {
		if !strings.HasPrefix(f.Path, folder+"/") {
			list = append(list, f)
		}
	}
	had := len(m.Files) - len(list)
	if _, err := os.Lstat(filepath.Join(dir, folder)); errors.Is(err, fs.ErrNotExist) && had == 0 {
		return nil
	}
	err = walkInside(dir, func(name string, regular bool) error {
		if !regular || !strings.HasPrefix(name, folder+"/") {
			return nil
		}
		f, err := hashFile(dir, name, -1)
		list = append(list, f)
		return err
	})
	if err != nil {
		return err
	}
	sort.Slice(list, func(i, k int) bool { return list[i].Path < list[k].Path })
	m.Files = list
	return saveManifest(dir, m)
}
