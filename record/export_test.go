package record

// Store is what a writer needs of a file, for tests with a disk of their own.
type Store = store

// CreateOn is Create with files of the test's own.
func CreateOn(dir string, s Start, open func(path string) (Store, error)) (*Writer, error) {
	return create(dir, s, open)
}

// OpenStore opens a file as Create does.
func OpenStore(path string) (Store, error) { return openAppend(path) }

// ParseSeal reads a seal and tells whether its own hash is right.
func ParseSeal(line []byte) (number int, ok bool) {
	s, ok := parseSeal(line)
	return s.Number, ok
}

// OwnHash tells whether a manifest is as it was written.
func OwnHash(data []byte) bool {
	_, right := ownHash(data)
	return right
}

// ParseManifest reads a manifest.
func ParseManifest(data []byte) (*Manifest, error) { return parseManifest(data) }
