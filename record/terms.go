package record

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"sort"
	"strconv"

	"fourwire/quantity/measured"
)

// keepTerms appends the error terms of a point, and of every input that is new what it is. Without them a value read back from the record would
// not know what it shares with others.
func (w *Writer) keepTerms(p Point) error {
	if w.ledger == nil || len(p.Terms) == 0 {
		return nil
	}
	if w.terms == nil {
		f, err := openAppended(w.dir, TermsFile, w.open)
		if err != nil {
			return err
		}
		w.terms = f
	}
	if w.told == nil {
		w.told = map[measured.ID]bool{}
	}
	names := make([]string, 0, len(p.Terms))
	for name := range p.Terms {
		names = append(names, name)
	}
	sort.Strings(names)
	b := append(w.line[:0], `{"point":`...)
	b = strconv.AppendInt(b, int64(p.Number), 10)
	b = append(b, `,"inputs":[`...)
	comma := false
	for _, name := range names {
		for _, t := range p.Terms[name] {
			if w.told[t.Input] {
				continue
			}
			w.told[t.Input] = true
			if comma {
				b = append(b, ',')
			}
			comma = true
			b = w.appendInput(b, t.Input)
		}
	}
	b = append(b, `],"terms":{`...)
	for i, name := range names {
		if i > 0 {
			b = append(b, ',')
		}
		b = append(appendText(b, name), ":["...)
		for k, t := range p.Terms[name] {
			if k > 0 {
				b = append(b, ',')
			}
			b = append(b, '[')
			b = strconv.AppendUint(b, uint64(t.Input), 10)
			b = append(b, ',')
			b = appendNumber(b, t.Part)
			b = append(b, ']')
		}
		b = append(b, ']')
	}
	w.line = append(b, "}}\n"...)
	return w.append(w.terms, w.line)
}

func (w *Writer) appendInput(b []byte, id measured.ID) []byte {
	in := w.ledger.Input(id)
	b = append(b, `{"id":`...)
	b = strconv.AppendUint(b, uint64(id), 10)
	b = appendText(append(b, `,"name":`...), in.Name)
	b = append(b, `,"kind":`...)
	b = strconv.AppendUint(b, uint64(in.Kind), 10)
	b = append(b, `,"shape":`...)
	b = strconv.AppendUint(b, uint64(in.Shape), 10)
	if in.DOF > 0 && !math.IsInf(in.DOF, 0) {
		b = appendNumber(append(b, `,"dof":`...), in.DOF)
	}
	if w.ledger.IsShared(id) {
		b = append(b, `,"shared":true`...)
	}
	return append(b, '}')
}

// appendNumber appends a JSON number; null for none.
func appendNumber(b []byte, x float64) []byte {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return append(b, "null"...)
	}
	return strconv.AppendFloat(b, x, 'g', -1, 64)
}

// StoredTerm is a part of the uncertainty of a stored value. Terms with one Input belong to one independent input.
type StoredTerm struct {
	Input *StoredInput
	Part  float64 // standard uncertainty with its sign, in the unit of the value
}

// StoredInput is an independent input of stored values.
type StoredInput struct {
	measured.Input
	Shared bool // it stands for every reading of its name
}

// termsLine is a line of terms.jsonl.
type termsLine struct {
	Point  int `json:"point"`
	Inputs []struct {
		ID     uint32  `json:"id"`
		Name   string  `json:"name"`
		Kind   uint8   `json:"kind"`
		Shape  uint8   `json:"shape"`
		DOF    float64 `json:"dof"`
		Shared bool    `json:"shared"`
	} `json:"inputs"`
	Terms map[string][][]*float64 `json:"terms"`
}

// ReadTerms reads the error terms of every point of the record in dir: by the number of the point, then by column. There are none where
// the file is missing or torn; the last line of a point counts.
func ReadTerms(dir string) (map[int]map[string][]StoredTerm, error) {
	f, err := readInside(dir, TermsFile)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("record: %w", err)
	}
	defer f.Close()
	out := map[int]map[string][]StoredTerm{}
	inputs := map[uint32]*StoredInput{}
	lines, left := newLines(f), memory(maxMemory)
	for {
		line, whole, err := lines.next()
		if err == io.EOF {
			return out, nil
		}
		if err != nil {
			return nil, fmt.Errorf("record %s: %w", TermsFile, err)
		}
		if !whole && line == nil {
			return nil, fmt.Errorf("record %s:%d: the line is too long to be one of a run", TermsFile, lines.number)
		}
		if !whole {
			continue // torn: what it was to say is gone
		}
		if !left.take(8 * len(line)) {
			return nil, fmt.Errorf("record %s holds more than this program reads", TermsFile)
		}
		var l termsLine
		if err := json.Unmarshal(line, &l); err != nil {
			return nil, fmt.Errorf("record %s:%d: %w", TermsFile, lines.number, err)
		}
		for _, in := range l.Inputs { // one that is described again is another one: the run went on with new ones
			inputs[in.ID] = &StoredInput{measured.Input{Name: in.Name, Kind: measured.Kind(in.Kind), Shape: measured.Shape(in.Shape), DOF: in.DOF}, in.Shared}
		}
		out[l.Point] = map[string][]StoredTerm{}
		for name, terms := range l.Terms {
			list := make([]StoredTerm, 0, len(terms))
			for _, t := range terms {
				if len(t) != 2 || t[0] == nil || t[1] == nil || *t[0] < 0 || *t[0] > math.MaxUint32 || inputs[uint32(*t[0])] == nil {
					return nil, fmt.Errorf("record %s:%d: %s names an input that is not described", TermsFile, lines.number, name)
				}
				list = append(list, StoredTerm{inputs[uint32(*t[0])], *t[1]})
			}
			out[l.Point][name] = list
		}
	}
}
