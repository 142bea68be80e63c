package run

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strconv"

	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence"
)

// recordedBefore is a recording that a run which goes on has.
type recordedBefore struct {
	complete bool
}

func recordedOf(e record.Event) recordedBefore {
	text, _ := e.Fields["complete"].(string)
	done, _ := strconv.ParseBool(text)
	return recordedBefore{done}
}

// emulatedBefore is an emulation that was played to its end.
type emulatedBefore struct {
	points int
	on     bool
	volts  float64
}

func emulatedOf(e record.Event) emulatedBefore {
	text := func(name string) string { s, _ := e.Fields[name].(string); return s }
	points, _ := strconv.Atoi(text("points"))
	on, _ := strconv.ParseBool(text("on"))
	volts, _ := strconv.ParseFloat(text("volts"), 64)
	return emulatedBefore{points, on, volts}
}

func namesOf(gives []sequence.Given) []string {
	var out []string
	for _, g := range gives {
		out = append(out, g.Name)
	}
	return out
}

// followRecord goes by a recording whose point is in the record, or that is whole. One that was cut off is made again from its beginning.
func (r *runner) followRecord(ctx context.Context, s *sequence.Record, f *frame) error {
	w := f.row
	known := w != nil && (w.measured || r.beginRecalled(w))
	if !known || !w.whole && !r.ff.recorded[r.ordinal].complete {
		if r.points != len(r.ff.rows) && r.ff.finding {
			return r.stop(Input, "the recording %s was cut off in the middle of its steps, whose points are in the record; the run cannot go on, start it anew", s.Trace)
		}
		return r.here(f)
	}
	r.traceName(s)
	return r.steps(ctx, s.Steps)
}

// followDrain takes what a drain step gave from the record.
func (r *runner) followDrain(s *sequence.Drain, f *frame) error {
	if err := r.recall(f, namesOf(s.Gives)); err != nil || r.ff.finding || r.keeper == nil {
		return err
	}
	name := r.traces[s.Trace]
	data, err := os.ReadFile(filepath.Join(r.keeper.Dir(), record.AnalysisFolder, name+".drain.json"))
	kept := &record.Drain{}
	if err != nil || json.Unmarshal(data, kept) != nil {
		return nil // a life that comes later goes beside the others
	}
	r.drains[name] = &drained{kept: kept}
	for _, g := range s.Gives {
		if g.What == "mean" {
			r.meanOf[g.Name] = name
		}
	}
	return nil
}

// followEmulate goes by an emulation that was played to its end. One that was cut off cannot be gone on with here: its device has been without
// power, and another run can begin with the state that was saved.
func (r *runner) followEmulate(ctx context.Context, s *sequence.Emulate, f *frame) error {
	had, ended := r.ff.emulated[r.ordinal]
	name := s.Role + "-" + batteryName(s.Battery)
	if !ended {
		if _, begun := r.ff.rows[r.begun+1]; begun {
			return r.stop(Input, "the run was cut off in the middle of the emulation of %s; start a new run that begins with from: {saved: %s.json}, which is in the folder %s of the record",
				s.Battery, name, record.EmulationFolder)
		}
		return r.here(f)
	}
	i, err := r.role(s.Role)
	if err != nil {
		return err
	}
	var names []string
	for _, one := range s.Reads {
		names = append(names, one.Name)
	}
	coordinate := ""
	for _, g := range s.Gives {
		if g.What == "time" {
			coordinate = g.Name
		} else {
			names = append(names, g.Name)
		}
	}
	for range had.points {
		inner := frame{row: &row{}}
		if !r.beginRecalled(inner.row) {
			return r.here(f)
		}
		if coordinate != "" {
			inner.name, inner.coord = coordinate, measured.Exact(quantity.Of(inner.row.stored.Cells[coordinate].SI, quantity.Time))
		}
		r.frames = append(r.frames, inner)
		if err := r.recall(&r.frames[len(r.frames)-1], names); err != nil {
			return err
		}
		if err := r.steps(ctx, s.Steps); err != nil {
			return err
		}
		r.emit()
		r.frames = r.frames[:len(r.frames)-1]
	}
	f = &r.frames[len(r.frames)-1]
	f.mark = r.ordinal + 1
	if data, err := os.ReadFile(filepath.Join(r.recordFolder(), record.EmulationFolder, name+".json")); err == nil {
		if state, err := stateOf(data, r.plan.Batteries[s.Battery]); err == nil {
			r.charges[s.Battery] = state
		}
	}
	next := r.state[i]
	next.On, next.Volts = had.on, had.volts
	if s.Amps != nil {
		q, err := r.amount(s.Amps)
		if err != nil {
			return err
		}
		next.Amps = q.SI
	}
	r.state[i] = next
	f.trail = append(f.trail, passed{&sequence.Source{Pos: s.Pos, Role: s.Role}, r.ordinal, i, next})
	return nil
}

func (r *runner) recordFolder() string {
	if r.keeper == nil {
		return ""
	}
	return r.keeper.Dir()
}
