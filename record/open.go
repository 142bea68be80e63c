package record

// Record is a run read back.
type Record struct {
	Dir string
	Manifest
	Finished bool // the manifest is there
	Rows     []Point
	Log      []Event
	Problems []string // what is torn, damaged or changed, in words
}

// Open reads a record. Points come from points.csv alone; verdicts and the rest from the manifest, or from the log where
// the run ended without one. What is torn or damaged is left out and reported in Problems; an error means that nothing
// could be read.
func Open(dir string) (*Record, error) { return open(dir) }
