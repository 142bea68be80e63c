package record

import "encoding/json"

// Capture is how samples around an event were taken, and what was found in them: analysis/TRACE.capture.json. NaN is null in the file.
// Times count from the event.
type Capture struct {
	Trace   string           `json:"trace"`
	Trigger string           `json:"trigger"` // as the sequence has it
	How     string           `json:"how"`     // which instrument sees the event, and how the others hear of it
	Where   string           `json:"where,omitempty"`
	At      string           `json:"at,omitempty"`     // RFC 3339: when the event was, by the clock of the bench
	AtU     float64          `json:"at_U_s"`           // by how much that may be off
	Skew    float64          `json:"skew_s"`           // between the time axes of two instruments, at most
	Apart   bool             `json:"apart,omitempty"`  // triggered by the computer one after the other: Skew is what that took
	Missed  string           `json:"missed,omitempty"` // why there is no trace: the event did not come
	Signals []CapturedSignal `json:"signals"`
	Figures []Figures        `json:"figures"`
	Notes   []string         `json:"notes,omitempty"`
}

// CapturedSignal is one signal of a capture with what limits it.
type CapturedSignal struct {
	Name      string  `json:"name"`
	Unit      string  `json:"unit"`
	Node      string  `json:"node"` // "v(dut.out)"
	From      string  `json:"from"` // instrument and channel
	Bandwidth float64 `json:"bandwidth_Hz"`
	Skew      float64 `json:"skew_s"` // between volts and amps of one channel, at most
	Range     float64 `json:"range"`  // full scale, SI
	Step      float64 `json:"step"`   // of the converter, SI; NaN: not stated
	LeadOhm   float64 `json:"lead_ohm,omitempty"`
	Corrected bool    `json:"corrected,omitempty"` // the drop of the leads is taken off, sample by sample
}

// Figures are those of one signal that one step worked out.
type Figures struct {
	Kind  string   `json:"kind"`  // pulse, transient, ripple, inrush, startup, holdup, overload
	Of    string   `json:"of"`    // signal
	Cause string   `json:"cause"` // what times count from: "trigger", or "50 % of io"
	List  []Figure `json:"list"`
	Marks []Mark   `json:"marks"`
	Notes []string `json:"notes,omitempty"`
}

// Figure is one of them.
type Figure struct {
	What    string  `json:"what"`           // "droop"
	Name    string  `json:"name,omitempty"` // of its column; empty: it has none
	Unit    string  `json:"unit"`
	Value   float64 `json:"value"`
	U       float64 `json:"u"` // expanded, k = 2
	Biggest string  `json:"biggest,omitempty"`
	Missing string  `json:"missing,omitempty"` // why it has no value
}

// Mark is something to draw on a signal: a level, a band, an instant or a point of it. What it has not is NaN.
type Mark struct {
	Text string  `json:"text"`
	At   float64 `json:"at_s"`
	To   float64 `json:"to_s"` // where a span ends
	Low  float64 `json:"low"`  // level, or the lower edge of a band
	High float64 `json:"high"`
}

// MarshalJSON writes null for a number that is not there (NaN).
func (c Capture) MarshalJSON() ([]byte, error) { return finiteJSON(c) }

// UnmarshalJSON reads null as NaN.
func (c *Capture) UnmarshalJSON(data []byte) error {
	type plain Capture
	if err := json.Unmarshal(data, (*plain)(c)); err != nil {
		return err
	}
	return nullsToNaN(data, (*plain)(c))
}
