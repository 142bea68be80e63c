package record

import (
	"time"

	"fourwire/internal/clock"
	"fourwire/quantity/measured"
)

// Version is the first field of every manifest that this package writes.
const Version = "record/1"

// Start is what is known before the first output goes on. The zero value of a field means that it is not known; only Tool
// and Title are wanted in every record.
type Start struct {
	ID          string       `json:"id"`   // UUIDv7; Create makes one where it is empty
	Tool        string       `json:"tool"` // "fourwire 0.1.0"
	Title       string       `json:"title"`
	About       string       `json:"about,omitempty"`
	Sequence    string       `json:"sequence,omitempty"` // name of the sequence file
	Device      string       `json:"device,omitempty"`   // serial number of the device under test
	Operator    string       `json:"operator,omitempty"` // who ran it, by name
	Job         string       `json:"job,omitempty"`      // its id in the queue of the daemon that had it run
	Seed        *uint64      `json:"seed,omitempty"`     // nil: no simulated part took one
	Simulated   bool         `json:"simulated,omitempty"`
	Site        string       `json:"site,omitempty"`     // of a bench with sites
	Together    []string     `json:"together,omitempty"` // other sites that ran at the same time
	Bench       Bench        `json:"bench"`
	Instruments []Instrument `json:"instruments,omitempty"`
	Wiring      []Wire       `json:"wiring,omitempty"`
	Params      []Param      `json:"params,omitempty"`
	Guards      []Guard      `json:"guards,omitempty"`
	Curves      []Curve      `json:"curves,omitempty"`
	Planned     int          `json:"planned,omitempty"` // points that the sequence asks for; 0: not known before

	Settings []string `json:"settings,omitempty"` // parameters as set on the command line: "vin=[9 V, 12 V]"
	Paths    Paths    `json:"paths,omitzero"`

	Clock  clock.Clock      `json:"-"` // nil: the machine's own
	Ledger *measured.Ledger `json:"-"` // knows the inputs that the terms of points name; nil: no error terms are kept
}

// Paths is where the files of a run were, to find them again when it goes on.
type Paths struct {
	Sequence string `json:"sequence,omitempty"`
	Bench    string `json:"bench,omitempty"` // empty: the one that the sequence names
}

// Bench is the bench as the engineer described it.
type Bench struct {
	File          string  `json:"file,omitempty"`
	Title         string  `json:"title,omitempty"`
	AmbientKelvin float64 `json:"ambient_K,omitempty"` // 0: not stated
}

// Instrument is one instrument as it answered, and what the bench file says about it.
type Instrument struct {
	Name       string   `json:"name"` // the bench file's: "feed-psu"
	Address    string   `json:"address,omitempty"`
	Driver     string   `json:"driver,omitempty"` // name of the model file
	Maker      string   `json:"maker,omitempty"`
	Model      string   `json:"model,omitempty"`
	Serial     string   `json:"serial,omitempty"`
	Firmware   string   `json:"firmware,omitempty"`
	Calibrated string   `json:"calibrated,omitempty"` // date, as written in the bench file
	Roles      []string `json:"roles,omitempty"`      // needs of the sequence that it serves: "feed"
}

// Wire is one channel at one node of the device.
type Wire struct {
	Channel string  `json:"channel"` // "dmm-in.1"
	Node    string  `json:"node"`    // "dut.in"
	As      string  `json:"as"`      // source, load, voltmeter, ammeter
	Sense   string  `json:"sense,omitempty"`
	LeadOhm float64 `json:"lead_ohm,omitempty"` // per conductor
}

// Param is a parameter of the sequence as it was set for this run.
type Param struct {
	Name   string   `json:"name"`
	About  string   `json:"about,omitempty"`
	Values []string `json:"values"`        // with units: "9 V"
	Set    bool     `json:"set,omitempty"` // changed from the sequence's own value
}

// Guard is an absolute limit of the device at a node, as text with units; empty where there is none.
type Guard struct {
	Node  string `json:"node"`
	Volts string `json:"volts,omitempty"`
	Amps  string `json:"amps,omitempty"`
	Watts string `json:"watts,omitempty"`
}

// Curve is one picture that the sequence asks for.
type Curve struct {
	X     string `json:"x"`
	Y     string `json:"y"`
	Per   string `json:"per,omitempty"` // one line per value of this coordinate; empty: one line
	LogX  bool   `json:"log_x,omitempty"`
	LogY  bool   `json:"log_y,omitempty"`
	Title string `json:"title,omitempty"`
}

// End is how a run ended.
type End struct {
	Outcome Outcome `json:"outcome"`          // of all verdicts together: fail before undecided before pass; not judged where there is none
	Exit    int     `json:"exit"`             // exit status of the command
	Reason  string  `json:"reason,omitempty"` // why the run ended early; empty for a run that came to its end
}

// Counts is the number of verdicts by outcome.
type Counts struct {
	Pass      int `json:"pass"`
	Fail      int `json:"fail"`
	Undecided int `json:"undecided"`
	NotJudged int `json:"not_judged"`
}

// File is one file of the record.
type File struct {
	Path   string `json:"path"` // inside the folder, with forward strokes
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"` // hexadecimal
}

// Manifest is record.json.
type Manifest struct {
	Format string `json:"fourwire"` // Version
	Start
	Started         time.Time `json:"started"`
	Ended           time.Time `json:"ended"`
	DurationSeconds float64   `json:"duration_s"`
	End
	Counts   Counts    `json:"verdict_counts"`
	Points   int       `json:"points"`
	Columns  []Column  `json:"columns"`
	Parts    bool      `json:"parts,omitempty"` // points.csv has the column "part"
	Verdicts []Verdict `json:"verdicts"`
	Results  []Result  `json:"results"`
	Resumed  []Resumed `json:"resumed,omitempty"`
	Rebuilt  *Rebuilt  `json:"rebuilt,omitempty"` // nil: written by the run itself
	Files    []File    `json:"files"`             // every file but record.json, sorted by path
	Seals    int       `json:"seals"`
	LastSeal string    `json:"last_seal,omitempty"` // its SHA-256
	Hash     string    `json:"manifest_sha256"`     // of record.json itself, with this field all zeros
}

// Resumed says that a run went on after it had ended early.
type Resumed struct {
	At      time.Time `json:"at"`    // by the clock of the bench
	Points  int       `json:"after"` // points that were kept
	Tool    string    `json:"tool,omitempty"`
	Ended   time.Time `json:"ended,omitzero"`    // when it had ended before; zero: not known
	Because string    `json:"because,omitempty"` // why it had ended
}

// Rebuilt says that a manifest was not written by its run, but put together from what the run left.
type Rebuilt struct {
	At   time.Time `json:"at"`
	Tool string    `json:"tool,omitempty"`
}

// Count counts verdicts by outcome.
func Count(verdicts []Verdict) Counts {
	var c Counts
	for _, v := range verdicts {
		switch v.Outcome {
		case Pass:
			c.Pass++
		case Fail:
			c.Fail++
		case Undecided:
			c.Undecided++
		default:
			c.NotJudged++
		}
	}
	return c
}

// Overall is the outcome of all verdicts together: fail before undecided before pass, not judged where nothing was judged.
func Overall(verdicts []Verdict) Outcome {
	switch c := Count(verdicts); {
	case c.Fail > 0:
		return Fail
	case c.Undecided > 0:
		return Undecided
	case c.Pass > 0:
		return Pass
	}
	return NotJudged
}
