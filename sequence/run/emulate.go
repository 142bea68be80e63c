package run

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"time"

	cell "fourwire/analysis/battery"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence"
	"fourwire/sequence/battery"
)

// Resistor is the ability of a source to make an output resistance itself, without the delay of a controller. A *driver.Source that has it is one.
type Resistor interface {
	SetOhms(context.Context, quantity.Ohm) error
	OhmsSpan() quantity.Span
}

// Own choice: an output resistance is set again when it has moved by this part, and a voltage when it has moved by half a step of the source,
// or by leastMove where no step is stated.
const (
	ohmsMove  = 0.005
	leastMove = 10e-6 // V
	onTime    = 1e-9  // s; what is so near is there
)

// emulation is a battery that a source plays.
type emulation struct {
	step    *sequence.Emulate
	i       int // of the role
	role    *roleState
	file    *battery.File
	cell    *cell.Cell
	state   cell.State
	kept    record.Emulation
	reading *group // of i(node); nil: the recording counts the charge
	points  *group // what is read at each point; nil: nothing
	measure *sequence.Measure

	move     float64                         // V: smaller changes are not sent
	hardware bool                            // the source makes the resistance
	ohms     float64                         // as set; -1: not yet
	volts    float64                         // as set
	amps     float64                         // mean over the last update
	steps    struct{ largest, last float64 } // of the current from one update to the next
	terminal float64
	until    struct{ volts, charge, seconds float64 }
	begun    time.Time
	at       time.Time // up to when the battery has been stepped
	seconds  float64   // since the beginning
	next     int64     // sample of the recording up to which the charge has been taken
	charge   float64   // C of the recording up to there
	got      int64     // and samples
	count    int       // points
	unread   float64   // s in which no reading was under way: the current is taken to have stayed
}

// emulate plays a battery until one of its ends.
func (r *runner) emulate(ctx context.Context, s *sequence.Emulate) error {
	ordinal := r.ordinal
	e, err := r.newEmulation(ctx, s)
	if err != nil {
		return err
	}
	if err := r.powerUp(ctx, e); err != nil {
		return err
	}
	why, err := r.play(ctx, e)
	if err != nil {
		e.kept.EndedBy = "the run ended"
		if serr := r.saveEmulation(e); serr != nil {
			r.note("note", "warn", serr.Error())
		}
		return err
	}
	e.kept.EndedBy = why
	off := s.Then == sequence.Off || e.state.Off
	text := fmt.Sprintf("the emulation of %s at %s ends: %s; %s of charge is left", e.file.Name, s.Role, why, quantity.Of(e.state.Charge, quantity.Ratio).Text(4))
	if off {
		text += "; the output goes off and stays off until a step switches it on"
	} else {
		text += fmt.Sprintf("; the output stays on at %s", quantity.Volt(e.volts))
	}
	r.note("emulated", "info", text, "step", strconv.Itoa(ordinal), "points", strconv.Itoa(e.count), "on", strconv.FormatBool(!off), "volts", strconv.FormatFloat(e.volts, 'g', -1, 64))
	if !e.hardware {
		r.tellLatency(e)
	}
	if err := r.saveEmulation(e); err != nil {
		return err
	}
	r.charges[s.Battery] = e.state
	if off {
		if err := r.switchOff(ctx, e.i); err != nil {
			return err
		}
	}
	if e.hardware { // who comes next finds a source without a resistance
		if err := e.role.feed.(Resistor).SetOhms(ctx, 0); err != nil {
			return r.of(e.role, err)
		}
	}
	return r.checkInstrument(ctx, e.role.Channel.Instrument)
}

// newEmulation works out from where a battery starts and who counts its charge.
func (r *runner) newEmulation(ctx context.Context, s *sequence.Emulate) (*emulation, error) {
	i, err := r.role(s.Role)
	if err != nil {
		return nil, err
	}
	b := r.plan.Batteries[s.Battery]
	if b == nil {
		return nil, r.stop(Fault, "the battery file %s is not there", s.Battery)
	}
	e := &emulation{step: s, i: i, role: &r.roles[i], file: b, cell: &b.Cell, ohms: -1, volts: nan, move: leastMove}
	if e.state, err = r.startOf(ctx, s, b); err != nil {
		return nil, err
	}
	if res, ok := e.role.feed.(Resistor); ok {
		span := res.OhmsSpan()
		e.hardware = span.Set && span.Holds(e.cell.Resistance(e.state.Charge, e.state.Kelvin))
	}
	if step := r.plan.SettingStep(i); step > 0 {
		e.move = step / 2
	}
	if err := r.ends(ctx, e); err != nil {
		return nil, err
	}
	e.measure = s.Reading()
	if len(s.Reads) > 0 {
		if e.points, err = r.newGroup(e.measure); err != nil {
			return nil, err
		}
	}
	node := e.role.Need.Node
	counted := "every sample of the recording"
	k := r.plan.GaugeIndex(sequence.Amps, node)
	if !r.recordsCurrent(node) {
		if k < 0 {
			return nil, r.stop(Bench, "nothing on this bench reads i(%s): what the battery gives is not known", node)
		}
		e.reading, err = r.newGroup(&sequence.Measure{Readings: []sequence.Reading{{Function: sequence.Amps, Node: node}}, Average: 1})
		if err != nil {
			return nil, err
		}
		e.reading.aperture = r.longestReading(e, k)
		counted = fmt.Sprintf("readings of %s by %s", e.reading.aperture, r.gauges[k].Channel)
	}
	e.kept = record.Emulation{Name: s.Role + "-" + batteryName(s.Battery), Battery: b.Name, BatterySHA256: sha(b.Text), Source: s.Role, From: e.state.Charge,
		EverySeconds: s.Every.SI, Kelvin: e.state.Kelvin, CountedBy: counted, Resistance: "software", LatencyVolts: nan}
	if e.hardware {
		e.kept.Resistance = "output"
	}
	return e, nil
}

// recordsCurrent tells whether the current of a node is being recorded.
func (r *runner) recordsCurrent(node string) bool {
	return r.recordingAt(node) != nil
}

// longestReading is the aperture that comes near to the time from one update to the next, less what a reading takes besides.
func (r *runner) longestReading(e *emulation, k int) time.Duration {
	aperture := time.Duration(readingPart * e.step.Every.SI * float64(time.Second))
	if most := r.gauges[k].Aperture.Most; most > 0 {
		aperture = min(aperture, most)
	}
	return max(aperture, r.gauges[k].Aperture.Least, leastSettleRead)
}

// How a range is chosen for readings that follow each other: a fifth to spare, and lowered slowly.
const (
	rangeSpare = 1.2
	rangeDecay = 0.99
)

// readingPart is the part of an update that is read: the rest is for setting and for the instrument's own work.
const readingPart = 0.8

// ends works out when an emulation ends.
func (r *runner) ends(ctx context.Context, e *emulation) error {
	u := &e.step.Until
	e.until.volts, e.until.charge, e.until.seconds = math.Inf(-1), math.Inf(-1), math.Inf(1)
	if u.Volts != nil {
		v, err := r.eval(ctx, u.Volts)
		if err != nil {
			return err
		}
		e.until.volts = v.X
	}
	if u.Charge != nil {
		v, err := r.eval(ctx, u.Charge)
		if err != nil {
			return err
		}
		e.until.charge = v.X
	}
	if u.Time != nil {
		v, err := r.eval(ctx, u.Time)
		if err != nil {
			return err
		}
		if !(v.X > 0 && v.X < 1e9) {
			return r.stop(Input, "%s cannot be the time of an emulation", v.Quantity())
		}
		e.until.seconds = v.X
	}
	return nil
}

// startOf is the state that a battery begins with: the charge that is asked for, at rest; a saved state; where its last emulation in this run
// ended; else full.
func (r *runner) startOf(ctx context.Context, s *sequence.Emulate, b *battery.File) (cell.State, error) {
	kelvin := r.plan.Bench.AmbientKelvin
	switch had, ok := r.charges[s.Battery]; {
	case s.From != nil:
		v, err := r.eval(ctx, s.From)
		if err != nil {
			return cell.State{}, err
		}
		if !(v.X > 0 && v.X <= 1) {
			return cell.State{}, r.stop(Input, "a battery cannot begin with %s of its charge", v.Quantity())
		}
		out := b.Cell.At(v.X)
		out.Kelvin = kelvin
		return out, nil
	case s.Saved != "":
		return r.savedState(s, b)
	case ok:
		had.Off = false
		return had, nil
	}
	out := b.Cell.At(1)
	out.Kelvin = kelvin
	return out, nil
}

// powerUp switches the source on as the battery would stand there without a load.
func (r *runner) powerUp(ctx context.Context, e *emulation) error {
	s := e.step
	volts := e.cell.Behind(&e.state)
	if e.cell.CutoffVolts > 0 && volts <= e.cell.CutoffVolts {
		return r.stop(Input, "%s at %s of charge has %s, which is not above its cut-off, %s: there is nothing to emulate", s.Battery,
			quantity.Of(e.state.Charge, quantity.Ratio), quantity.Volt(volts), quantity.Volt(e.cell.CutoffVolts))
	}
	r.note("emulation", "info", fmt.Sprintf("%s plays %s from %s of charge, %s; set every %s, the charge by %s, the resistance by %s", s.Role, s.Battery,
		quantity.Of(e.state.Charge, quantity.Ratio).Text(4), quantity.Volt(volts).String(), s.Every, e.kept.CountedBy, map[bool]string{true: "the source itself", false: "software"}[e.hardware]))
	on := &sequence.Source{Pos: s.Pos, Role: s.Role, Volts: constant(volts, quantity.Voltage), Amps: s.Amps, Output: sequence.On}
	if e.hardware {
		if err := r.setOhms(ctx, e); err != nil {
			return err
		}
	}
	if err := r.source(ctx, on); err != nil {
		return err
	}
	e.volts, e.terminal = volts, volts
	e.begun = r.clock.Now()
	e.at = e.begun
	if rec := r.recordingAt(e.role.Need.Node); rec != nil {
		if err := r.pumpNow(ctx, rec); err != nil {
			return err
		}
		e.next, e.charge, e.got = rec.next, rec.writer.Integral(0), rec.writer.Received()
	}
	return nil
}

// setOhms gives the source the resistance of the battery, where it has moved.
func (r *runner) setOhms(ctx context.Context, e *emulation) error {
	ohms := e.cell.Resistance(e.state.Charge, e.state.Kelvin)
	if math.Abs(ohms-e.ohms) <= ohmsMove*ohms && e.ohms >= 0 {
		return nil
	}
	r.touched[e.role.Channel.Instrument] = true
	if err := e.role.feed.(Resistor).SetOhms(ctx, quantity.Ohm(ohms)); err != nil {
		return r.of(e.role, err)
	}
	e.ohms = ohms
	return nil
}

// play steps the battery until an end, which it names.
func (r *runner) play(ctx context.Context, e *emulation) (why string, err error) {
	every, keep := e.step.Every.SI, e.step.Keep.SI
	kept := 0
	for updates := 1; ; updates++ {
		why = e.ended()
		if due := float64(kept) * keep; why != "" || e.seconds >= due-onTime {
			kept = int(math.Floor((e.seconds+onTime)/keep)) + 1
			if err := r.keepPoint(ctx, e); err != nil {
				return "", err
			}
		}
		if why != "" {
			return why, nil
		}
		if err := ctx.Err(); err != nil {
			return "", err
		}
		if err := r.broken(); err != nil {
			return "", err
		}
		if r.cfg.Busy != nil {
			r.cfg.Busy(seconds(every))
		}
		due := min(float64(updates)*every, e.until.seconds)
		if behind := r.clock.Since(e.begun).Seconds() - due; behind > every { // late by more than an update: what was missed is not made up for
			updates = int(math.Ceil(r.clock.Since(e.begun).Seconds() / every))
			due = min(float64(updates)*every, e.until.seconds)
		}
		if err := r.draw(ctx, e, due); err != nil {
			return "", err
		}
		if err := r.follow(ctx, e); err != nil {
			return "", err
		}
		if err := r.lookAfter(ctx); err != nil {
			return "", err
		}
	}
}

// ended names the end that has come; empty while none has.
func (e *emulation) ended() string {
	switch {
	case e.cell.Guard(&e.state, e.terminal):
		return fmt.Sprintf("its protection opened at the cut-off, %s", quantity.Volt(e.cell.CutoffVolts))
	case e.state.Charge <= 0:
		return "it is empty"
	case e.terminal <= e.until.volts:
		return fmt.Sprintf("its voltage has fallen to %s", quantity.Volt(e.until.volts))
	case e.state.Charge <= e.until.charge:
		return fmt.Sprintf("its charge has fallen to %s", quantity.Of(e.until.charge, quantity.Ratio))
	case e.seconds >= e.until.seconds-onTime:
		return fmt.Sprintf("%s are over", spanText(e.until.seconds))
	}
	return ""
}

// draw waits until an update is due and takes from the battery what has flowed since the last one.
func (r *runner) draw(ctx context.Context, e *emulation, due float64) error {
	var amps float64
	var now time.Time
	if e.reading == nil {
		if err := r.sleep(ctx, e.begun.Add(seconds(due)).Sub(r.clock.Now())); err != nil {
			return err
		}
		rec := r.recordingAt(e.role.Need.Node)
		if err := r.pumpNow(ctx, rec); err != nil {
			return err
		}
		charge, got, next := rec.writer.Integral(0), rec.writer.Received(), rec.next
		if got == e.got {
			return nil // nothing came: the next update takes it along
		}
		// samples that are missing are taken to be like those that came
		amps = (charge - e.charge) / (float64(got-e.got) * rec.every)
		now = e.at.Add(seconds(float64(next-e.next) * rec.every))
		e.charge, e.got, e.next = charge, got, next
	} else {
		t, err := r.take(ctx, e.reading, 1)
		if err != nil {
			return err
		}
		if t.overload[0] {
			return r.stop(Bench, "i(%s) overflows every range: what the battery gives is not known", e.role.Need.Node)
		}
		amps = t.values[0].X
		// the range that held it, and what came in the last minute, holds the next one, too: reading again takes time in which nothing is counted
		e.reading.pinned[0] = math.Max(rangeSpare*math.Abs(amps), rangeDecay*e.reading.pinned[0])
		if err := r.sleep(ctx, e.begun.Add(seconds(due)).Sub(r.clock.Now())); err != nil {
			return err
		}
		now = r.clock.Now()
		read := &e.reading.readings[0]
		e.unread += math.Max(0, now.Sub(e.at).Seconds()-math.Min(read.End.Sub(read.Start).Seconds(), e.reading.aperture.Seconds()))
	}
	span := now.Sub(e.at).Seconds()
	e.steps.last = math.Abs(amps - e.amps)
	if e.seconds > 0 {
		e.steps.largest = math.Max(e.steps.largest, e.steps.last)
	}
	e.amps = amps
	e.cell.Step(&e.state, amps, span)
	e.at, e.seconds = now, e.seconds+span
	e.terminal = e.cell.Terminal(&e.state, amps)
	return nil
}

// follow sets the voltage that the battery has now. The guard is looked at before.
func (r *runner) follow(ctx context.Context, e *emulation) error {
	volts := e.terminal
	if e.hardware {
		volts = e.cell.Behind(&e.state)
		if err := r.setOhms(ctx, e); err != nil {
			return err
		}
	}
	volts = math.Max(volts, 0)
	if math.Abs(volts-e.volts) < e.move {
		return nil
	}
	if err := r.allowed(measured.Exact(quantity.Of(volts, quantity.Voltage)), e.step.Role, e.role.Guard.Volts); err != nil {
		return err
	}
	r.touched[e.role.Channel.Instrument] = true
	if err := e.role.feed.SetVolts(ctx, quantity.Volt(volts)); err != nil {
		return r.of(e.role, err)
	}
	e.volts, r.state[e.i].Volts = volts, volts
	return nil
}

// keepPoint makes a point of how things stand, and saves the state.
func (r *runner) keepPoint(ctx context.Context, e *emulation) error {
	f := frame{row: &row{}}
	for _, g := range e.step.Gives {
		if g.What == "time" {
			f.name, f.coord = g.Name, measured.Exact(quantity.Of(e.seconds, quantity.Time))
		}
	}
	r.hold()
	f.mark = r.ordinal + 1
	r.frames = append(r.frames, f)
	place := r.place
	row := r.open()
	r.begin(row)
	if e.points != nil {
		if err := r.readPoint(ctx, e, row); err != nil {
			return err
		}
	}
	for _, g := range e.step.Gives {
		if g.What == "time" {
			continue
		}
		v := e.value(g.What)
		r.keep(g.Name, v)
		row.cells[g.Name] = r.cell(v)
	}
	if err := r.modes(ctx, row); err != nil {
		return err
	}
	if err := r.steps(ctx, e.step.Steps); err != nil {
		return err
	}
	r.place = place
	e.count++
	r.emit()
	r.frames = r.frames[:len(r.frames)-1]
	r.frames[len(r.frames)-1].mark = r.ordinal + 1
	return r.saveEmulation(e)
}

// readPoint takes the readings of a point.
func (r *runner) readPoint(ctx context.Context, e *emulation, row *row) error {
	r.notes = &row.notes
	defer func() { r.notes = nil }()
	t, err := r.take(ctx, e.points, e.points.passes)
	for i, v := range t.values {
		name := e.step.Reads[i].Name
		r.keep(name, v)
		c := r.cell(v)
		c.Overload = t.overload[i]
		row.cells[name] = c
		row.ranges[name] = quantity.Of(e.points.readings[i].RangeFull, v.Dim).String()
		if t.overload[i] {
			row.invalid("%s overflows the %s range of %s", name, row.ranges[name], r.gauges[e.points.gauges[i]].Channel)
		}
	}
	return err
}

// value is what the model says of the battery now.
func (e *emulation) value(what string) measured.Value {
	x, dim := nan, quantity.Voltage
	switch what {
	case "charge":
		x, dim = e.state.Charge, quantity.Ratio
	case "drawn":
		x, dim = e.state.Drawn.Value(), quantity.Charge
	case "open_circuit":
		x = e.cell.OpenCircuit(e.state.Charge)
	case "terminal":
		x = e.terminal
	case "resistance":
		x, dim = e.cell.Resistance(e.state.Charge, e.state.Kelvin), quantity.Resistance
	}
	return measured.Exact(quantity.Of(x, dim))
}

// latency is the error that setting the resistance late has made: the largest step of the current that was seen times the resistance, for
// the time from one update to the next.
func (e *emulation) latency() float64 {
	return e.steps.largest * e.cell.Resistance(e.state.Charge, e.state.Kelvin)
}

func (r *runner) tellLatency(e *emulation) {
	ohms := e.cell.Resistance(e.state.Charge, e.state.Kelvin)
	text := fmt.Sprintf("%s makes no output resistance itself, so that the %s of %s follow the current after up to %s: the largest step of the current from one update to the next, %s, left an error of %s until then; steps that come and go within an update are not followed at all",
		e.role.Channel, quantity.Ohm(ohms), e.step.Battery, e.step.Every, quantity.Amp(e.steps.largest), quantity.Volt(e.latency()))
	e.kept.Notes = append(e.kept.Notes, text)
	r.note("emulation", "warn", text)
	if e.reading != nil && e.unread > 0 && e.seconds > 0 {
		part := e.unread / e.seconds
		text := fmt.Sprintf("the current was read for %.3g %% of the time and is taken to have stayed as it was in the rest; record it where every sample counts", 100*(1-part))
		e.kept.Notes = append(e.kept.Notes, text)
		r.note("emulation", "info", text)
	}
}
