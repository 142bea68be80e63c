package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"fourwire/driver/bench"
	"fourwire/driver/hookup"
	"fourwire/quantity"
	"fourwire/record"
	"fourwire/report/wiring"
	"fourwire/sequence/plan"
	"fourwire/sequence/run"
)

// drawingOf is the drawing of a bench.
func drawingOf(b *bench.Bench, amps map[string]float64) wiring.Drawing {
	d := wiring.Drawing{Title: b.Title, Amps: amps, Planned: "planned"}
	for _, w := range b.Wiring {
		one := wiring.Wire{Channel: plan.Channel{Instrument: w.Instrument, Number: w.Channel}.String(), Node: w.Node, As: string(w.As), LeadOhm: w.LeadOhm, Earthed: w.Earthed}
		if w.As == bench.Source || w.As == bench.Load {
			one.Sense = string(w.Sense)
		}
		d.Wires = append(d.Wires, one)
	}
	return d
}

// checkHookup checks the wiring before a run on real instruments, unless it was told not to, or this bench file was found right today. A simulated bench is
// not checked: its wiring is what its scenario says, and a check would move its clock.
func (r *oneRun) checkHookup(ctx context.Context) error {
	if r.bench.simulated {
		return nil
	}
	event := func(level, text string, fields map[string]any) error {
		r.watch.observe(run.Event{Kind: "note", Level: level, Text: text})
		return r.writer.Event(record.Event{Level: level, Kind: "hookup", Text: text, Fields: fields})
	}
	if r.flags.noHookup {
		return event("warn", "the hook-up was not checked: --no-hookup", nil)
	}
	if at, ok := hookupStamp(r.bench, r.opened.clock.Now()); ok {
		return event("info", "the hook-up of this bench file was found right today at "+at.Local().Format("15:04"), nil)
	}
	config := hookupConfig(r.bench, r.opened, r.seq)
	if r.keeper.heart != nil {
		config.Ready = r.keeper.heart.Arm
	}
	rep, err := hookup.Check(ctx, config)
	text := "the hook-up is right as far as it can be told"
	level := "info"
	if err != nil || !rep.Right {
		text, level = "the hook-up is not right", "error"
		fmt.Fprint(r.app.err, printable(rep.Text()))
	}
	if werr := event(level, text, map[string]any{"report": rep}); werr != nil && err == nil {
		err = werr
	}
	var live *hookup.NotSafe
	if errors.As(err, &live) {
		return &run.NotSafe{Role: "hook-up check", Channel: live.Channel, Err: live.Err} // so that the guardian takes it over
	}
	if err := hookupFailure(ctx, rep, err); err != nil {
		return err
	}
	return stampHookup(r.bench, r.opened.clock.Now)
}

// stamp is what is kept of a check that found a bench right.
type stamp struct {
	Bench   string    `json:"bench"`
	Checked time.Time `json:"checked"`
	Tool    string    `json:"tool"`
}

// stampFile is where the last check of a bench is noted: in the user's cache folder, by the hash of the bench file, so that any change to the file asks
// for a new check.
func stampFile(tb *testBench) (string, error) {
	dir, err := os.UserCacheDir()
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(append(bytes.Clone(tb.bench.Source), tb.bench.View.Site...))
	return filepath.Join(dir, "fourwire", "hookup", hex.EncodeToString(sum[:])+".json"), nil
}

// hookupStamp tells when this bench was last found right, where that was today.
func hookupStamp(tb *testBench, now time.Time) (time.Time, bool) {
	file, err := stampFile(tb)
	if err != nil {
		return time.Time{}, false
	}
	data, err := os.ReadFile(file)
	var s stamp
	if err != nil || json.Unmarshal(data, &s) != nil || s.Checked.After(now) {
		return time.Time{}, false
	}
	then, today := s.Checked.Local(), now.Local()
	return s.Checked, then.YearDay() == today.YearDay() && then.Year() == today.Year()
}

// stampHookup notes that a bench of real instruments was found right. A folder that cannot be written costs a check the next time, nothing else.
func stampHookup(tb *testBench, now func() time.Time) error {
	if tb.simulated {
		return nil
	}
	file, err := stampFile(tb)
	if err != nil {
		return nil
	}
	data, err := json.Marshal(stamp{Bench: filepath.Base(tb.path), Checked: now(), Tool: "fourwire " + version})
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		return nil
	}
	if err := os.WriteFile(file+".new", data, 0o644); err != nil {
		return nil
	}
	_ = os.Rename(file+".new", file)
	return nil
}

func voltText(x float64) string { return quantity.Of(x, quantity.Voltage).Text(3) }
func ampText(x float64) string  { return quantity.Of(x, quantity.Current).Text(3) }
