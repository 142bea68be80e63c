package run

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"path"
	"strings"

	cell "fourwire/analysis/battery"
	"fourwire/quantity"
	"fourwire/record"
	"fourwire/sequence"
	"fourwire/sequence/battery"
)

func sha(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// batteryName is a battery file without its folder and endings.
func batteryName(file string) string {
	name := path.Base(file)
	for _, ending := range []string{".yaml", ".yml", ".battery"} {
		name = strings.TrimSuffix(name, ending)
	}
	return name
}

// saveEmulation keeps how the battery stands, so that another run can go on from there.
func (r *runner) saveEmulation(e *emulation) error {
	if r.keeper == nil {
		return nil
	}
	k := &e.kept
	k.Charge, k.OpenVolts = e.state.Charge, e.cell.OpenCircuit(e.state.Charge)
	k.PairVolts = append(k.PairVolts[:0], e.state.PairVolts[:min(len(e.cell.Pairs), cell.MostPairs)]...)
	k.DrawnCoulombs, k.DrawnJoules, k.Seconds = e.state.Drawn.Value(), e.state.Joules.Value(), e.seconds
	if !e.hardware {
		k.LatencyVolts = e.latency()
	}
	data, err := json.MarshalIndent(k, "", " ")
	if err != nil {
		return r.stop(Fault, "the state of %s cannot be written: %w", e.step.Battery, err)
	}
	if err := r.keeper.Put(record.EmulationFolder+"/"+k.Name+".json", append(data, '\n')); err != nil {
		return r.stop(Bench, "%w", err)
	}
	return nil
}

// savedState goes on from a state that another emulation has saved. It must be one of the same battery.
func (r *runner) savedState(s *sequence.Emulate, b *battery.File) (cell.State, error) {
	out, err := stateOf(r.plan.Files[s.Saved], b)
	if err != nil {
		return out, r.stop(Input, "%s: %w", s.Saved, err)
	}
	r.note("emulation", "info", fmt.Sprintf("%s goes on from %s: %s of charge, %s drawn before", s.Battery, s.Saved, quantity.Of(out.Charge, quantity.Ratio).Text(4), quantity.Of(out.Drawn.Value(), quantity.Charge).Text(5)))
	return out, nil
}

// stateOf is a saved state; it must be one of the same battery.
func stateOf(data []byte, b *battery.File) (cell.State, error) {
	var had record.Emulation
	if err := json.Unmarshal(data, &had); err != nil {
		return cell.State{}, fmt.Errorf("this is no state that an emulation has saved: %w", err)
	}
	charge := quantity.Of(had.Charge, quantity.Ratio)
	if b == nil || had.BatterySHA256 != sha(b.Text) {
		return cell.State{}, fmt.Errorf("it was saved with another battery file (%s) than this; begin with a state of charge, as in from: %s", had.Battery, charge.Text(3))
	}
	if !(had.Charge > 0 && had.Charge <= 1) {
		return cell.State{}, fmt.Errorf("it says that %s of the charge is left", charge)
	}
	out := b.Cell.At(had.Charge)
	out.Kelvin = had.Kelvin
	copy(out.PairVolts[:], had.PairVolts)
	out.Drawn.Add(had.DrawnCoulombs)
	out.From += had.DrawnCoulombs / b.Cell.Capacity() // the charge is counted from here on
	return out, nil
}
