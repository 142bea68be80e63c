package trace

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
)

// version is the first field of NAME.json.
const version = "trace/1"

// finished is NAME.json.
type finished struct {
	Format string `json:"fourwire"`
	Head
	BaseSteps []float64 `json:"base_steps"` // per signal, SI
	Samples   int64     `json:"samples"`    // rows of NAME.parquet
	Length    int64     `json:"length"`     // index behind the last sample
	Segments  int64     `json:"segments"`
	Sums      []Sum     `json:"sums"` // per signal: of all samples, in base steps
	Tail      tail      `json:"parquet_tail"`
	Statement Statement `json:"statement"`
}

// tail is what stands behind the pages of the Parquet file, indices and footer, which have no checksum there.
type tail struct {
	Bytes int64  `json:"bytes"`
	CRC   uint32 `json:"crc32c"`
}

// MarshalJSON writes null for a number that is not there (NaN).
func (r Range) MarshalJSON() ([]byte, error) {
	type plain Range
	return json.Marshal(struct {
		plain
		Gain   *float64 `json:"gain"`
		Offset *float64 `json:"offset"`
	}{plain(r), finite(r.Gain), finite(r.Offset)})
}

// UnmarshalJSON reads null as NaN.
func (r *Range) UnmarshalJSON(data []byte) error {
	type plain Range
	in := struct {
		*plain
		Gain   *float64 `json:"gain"`
		Offset *float64 `json:"offset"`
	}{plain: (*plain)(r)}
	if err := json.Unmarshal(data, &in); err != nil {
		return err
	}
	r.Gain, r.Offset = orNaN(in.Gain), orNaN(in.Offset)
	return nil
}

// MarshalJSON writes null for a number that is not there (NaN).
func (s Statement) MarshalJSON() ([]byte, error) {
	type plain Statement
	if s.Gaps == nil {
		s.Gaps = []Gap{}
	}
	return json.Marshal(struct {
		plain
		Received *float64 `json:"coulombs_received"`
		Counted  *float64 `json:"coulombs_counted"`
	}{plain(s), finite(s.CoulombsReceived), finite(s.CoulombsCounted)})
}

// UnmarshalJSON reads null as NaN.
func (s *Statement) UnmarshalJSON(data []byte) error {
	type plain Statement
	in := struct {
		*plain
		Received *float64 `json:"coulombs_received"`
		Counted  *float64 `json:"coulombs_counted"`
	}{plain: (*plain)(s)}
	if err := json.Unmarshal(data, &in); err != nil {
		return err
	}
	s.CoulombsReceived, s.CoulombsCounted = orNaN(in.Received), orNaN(in.Counted)
	return nil
}

func finite(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

func orNaN(x *float64) float64 {
	if x == nil {
		return math.NaN()
	}
	return *x
}

// finishedJSON writes NAME.json.
func finishedJSON(f *finished) ([]byte, error) {
	text, err := json.MarshalIndent(f, "", "  ")
	return append(text, '\n'), err
}

// parseFinished reads NAME.json and refuses what cannot be one.
func parseFinished(data []byte) (*finished, error) {
	var f finished
	if err := json.Unmarshal(data, &f); err != nil {
		return nil, err
	}
	if f.Format != version {
		return nil, fmt.Errorf("it says %q, this version reads %q; use the version that wrote it, or a newer one", f.Format, version)
	}
	h, err := f.Head.checked()
	if err != nil {
		return nil, err
	}
	f.Head = h
	if f.Samples < 0 || f.Length < f.Samples || f.Segments < 0 || f.Segments > f.Samples || f.Tail.Bytes < 12 || len(f.Sums) != len(h.Signals) || len(f.BaseSteps) != len(h.Signals) {
		return nil, errors.New("its numbers of samples, segments and signals do not fit each other")
	}
	for i, s := range h.Signals {
		if base, _, err := baseStep(s.Ranges); err != nil || base != f.BaseSteps[i] {
			return nil, fmt.Errorf("signal %s: its base step is not the finest step of its ranges", s.Name)
		}
	}
	return &f, nil
}

// scale is how the counts of a signal become numbers.
type scale struct {
	base      float64
	steps     []float64 // by range, SI
	multiples []int64   // by range, base steps
}

func scales(h Head) ([]scale, error) {
	out := make([]scale, len(h.Signals))
	for i, s := range h.Signals {
		base, multiples, err := baseStep(s.Ranges)
		if err != nil {
			return nil, err
		}
		out[i] = scale{base: base, multiples: multiples}
		for _, m := range multiples {
			out[i].steps = append(out[i].steps, base*float64(m))
		}
	}
	return out, nil
}

// pair finds the current and the voltage of a trace that has one of each; -1, -1 where it has not.
func pair(h Head) (amps, volts int) {
	amps, volts = -1, -1
	for i, s := range h.Signals {
		at := &amps
		switch s.Unit {
		case "A":
		case "V":
			at = &volts
		default:
			continue
		}
		if *at >= 0 {
			return -1, -1
		}
		*at = i
	}
	if amps < 0 || volts < 0 {
		return -1, -1
	}
	return amps, volts
}

// current is the only signal that is a current; -1 where there is none, or several.
func current(h Head) int {
	at := -1
	for i, s := range h.Signals {
		if s.Unit == "A" {
			if at >= 0 {
				return -1
			}
			at = i
		}
	}
	return at
}
