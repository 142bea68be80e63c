package driver

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	"fourwire/driver/model"
	"fourwire/driver/scpi"
	"fourwire/internal/ledger"
)

// ErrSamples says that an answer with samples contradicts itself, or what came before it.
var ErrSamples = errors.New("the block of samples is not believable")

// Samples is a block of samples without a gap; its memory is used again by the next Fetch into it.
type Samples struct {
	Start     int64        // index of the first one, counted from the start of the recording
	Count     int          // of each function
	Lost      int64        // in all, since the start of the recording, as the instrument counts; -1 where it does not
	Values    [][]float32  // by function, SI
	Runs      [][]RangeRun // by function; empty where Count is 0
	Overloads int          // samples beyond their range, which are infinities among Values, and samples that are none, which are NaN

	memory []scpi.Singles // of Values that were read straight into their place
}

// RangeRun says that from a sample of a block on samples are of one range.
type RangeRun struct {
	At    int // from 0
	Range int // index into Started.Ranges of its function
}

const (
	longestHold = 200 * time.Millisecond
	// slowestBytes is the pace, per second, at which a block must come at least: that of a slow network interface.
	slowestBytes = 500e3
)

// Fetch takes samples that wait, at most so many of each function, into into; what is taken is gone from the buffer. With least above 0 it
// waits until so many are there or the recording has stopped; fewer come behind a gap, and where the instrument's clock is slower than this one. A block
// begins where the last one ended, or later: then samples are missing between. It may be called after Stop, until the buffer is empty.
func (r *Recorder) Fetch(ctx context.Context, most, least int, into *Samples) error {
	rec := r.recording
	switch {
	case rec == nil:
		return r.wrap(fmt.Errorf("%w: nothing has been recorded", ErrNoReading))
	case most < 1 || least < 0 || least > most:
		return r.wrap(fmt.Errorf("up to %d samples are asked for, and at least %d", most, least))
	}
	return r.wrap(r.fetch(ctx, rec, most, least, into))
}

func (r *Recorder) fetch(ctx context.Context, rec *recording, most, least int, into *Samples) error {
	if err := r.in.hearPosed(ctx); err != nil {
		return err
	}
	least, held, err := r.await(ctx, rec, least)
	if err != nil {
		return err
	}
	q := r.spec.Dialect.Ask["record data"]
	if rec.question, err = r.renderCounts(rec.question[:0], q.Send[0], most, least); err != nil {
		return err
	}
	within := r.in.within(held) + time.Duration(float64(4*most*len(rec.functions))/slowestBytes*float64(time.Second))
	r.in.expect(ledger.Aperture, rec.expects, ledger.ReadBack)
	asked := r.in.clock.Now()
	if rec.raw, err = r.in.device.AskInto(ctx, rec.question, within, rec.raw); err != nil {
		return err
	}
	seen := r.in.clock.Now()
	rec.learn(seen.Sub(asked))
	if err := r.in.readSamples(rec, q, rec.raw, most, into); err != nil {
		return r.in.device.Fault(rec.question, err)
	}
	rec.behind = into.Count >= most || into.Start > rec.next
	rec.next, rec.lost, rec.seen = into.Start+int64(into.Count), max(rec.lost, into.Lost), seen
	return nil
}

// learn has answers held for longer where holding them takes no time, as a simulator does that need not wait for this side's clock: time that
// passes here would only keep it waiting. Each time they are held for at most twice as long as the last proof; the first answer that does take
// its time ends it.
func (rec *recording) learn(took time.Duration) {
	switch {
	case !rec.learns:
	case took > longestHold+longestHold/2:
		rec.hold, rec.learns = longestHold, false
	case rec.expects >= rec.hold-rec.hold/10 && took < rec.expects/10:
		rec.hold = min(2*rec.hold, time.Hour)
	}
}

// await lets time pass until so many samples wait, but for what the instrument itself waits for: it gives how many that is, and for how long.
func (r *Recorder) await(ctx context.Context, rec *recording, least int) (askLeast int, held time.Duration, err error) {
	rec.expects = 0
	if least == 0 || !rec.running {
		return 0, 0, nil
	}
	canHold := r.spec.Records.Held
	if rec.behind {
		// samples wait already, how many is not known
		if short := int(rec.hold / rec.interval); canHold {
			return min(least, short), rec.hold, nil
		}
		return 0, 0, nil
	}
	left := time.Duration(least)*rec.interval - r.in.clock.Since(rec.seen)
	pause := left
	if canHold {
		pause -= rec.hold
	}
	if pause > 0 {
		if err := r.in.sleep(ctx, pause, ledger.Aperture); err != nil {
			return 0, 0, err
		}
		left -= pause
	}
	if !canHold {
		return 0, 0, nil
	}
	rec.expects = left
	return least, max(left, rec.hold), nil
}

// renderCounts writes the question for samples.
func (r *Recorder) renderCounts(dst []byte, t model.Template, most, least int) ([]byte, error) {
	return t.Append(dst, func(dst []byte, s model.Slot) ([]byte, error) {
		x := r.number
		switch s.Name {
		case "most":
			x = most
		case "least":
			x = least
		}
		return scpi.AppendNumber(dst, float64(x), scpi.Format{Form: scpi.NR1})
	})
}

// readSamples reads an answer with samples and holds it against what was asked and what came before.
func (in *Instrument) readSamples(rec *recording, q model.Query, raw []byte, most int, into *Samples) error {
	parts, err := scpi.Split(raw, in.elements)
	in.elements = parts
	if err != nil {
		return err
	}
	if len(parts) != len(q.Fields) {
		return fmt.Errorf("the answer %q has %d elements, %d are wanted: %w", shown(raw), len(parts), len(q.Fields), scpi.ErrFields)
	}
	var body, runs []byte
	count, order := int64(-1), scpi.Normal
	into.Lost = -1
	for i, f := range q.Fields {
		if f.Form == "skip" {
			continue
		}
		switch f.Name {
		case model.RecordStart:
			into.Start, err = wholeOf(f.Name, parts[i])
		case model.RecordCount:
			count, err = wholeOf(f.Name, parts[i])
		case model.RecordLost:
			into.Lost, err = wholeOf(f.Name, parts[i])
		case model.RecordRuns:
			runs = parts[i]
		case model.RecordValues:
			order = scpi.Order(f.Form == "singles swapped")
			body, _, err = scpi.CutBlock(parts[i])
		}
		if err != nil {
			return fmt.Errorf("the answer %q: %w", shown(raw), err)
		}
	}
	set := 4 * len(rec.functions)
	got := len(body) / set
	switch {
	case len(body)%set != 0 || count >= 0 && count != int64(got):
		return fmt.Errorf("%w: %d samples of %d functions are announced, and %d bytes came", ErrSamples, count, len(rec.functions), len(body))
	case got > most:
		return fmt.Errorf("%w: %d samples came, at most %d were asked for", ErrSamples, got, most)
	case into.Start < rec.next:
		return fmt.Errorf("%w: it begins with sample %d, and those before %d have come already", ErrSamples, into.Start, rec.next)
	case into.Lost >= 0 && into.Lost < rec.lost:
		return fmt.Errorf("%w: %d samples are lost, where it were %d before", ErrSamples, into.Lost, rec.lost)
	}
	into.Count = got
	return in.decode(rec, runs, body, order, into)
}

// decode reads the samples themselves and the ranges that they are of.
func (in *Instrument) decode(rec *recording, runs, body []byte, order scpi.Order, into *Samples) (err error) {
	n := len(rec.functions)
	into.Values, into.Runs = fit(into.Values, n), fit(into.Runs, n)
	if into.Overloads, err = scpi.Interleaved32(into.Values, body, order); err != nil {
		return err
	}
	for i, f := range rec.functions {
		into.Runs[i] = into.Runs[i][:0]
		switch {
		case f == Amps && rec.ranges > 1:
			if into.Runs[i], err = appendRuns(into.Runs[i], runs, into.Count, rec.ranges); err != nil {
				return err
			}
		case into.Count > 0:
			into.Runs[i] = append(into.Runs[i], RangeRun{})
		}
	}
	return nil
}

func fit[T any](rows [][]T, n int) [][]T {
	if len(rows) > n {
		return rows[:n]
	}
	for len(rows) < n {
		rows = append(rows, nil)
	}
	return rows
}

func wholeOf(name string, text []byte) (int64, error) {
	n, err := scpi.ParseWhole(text)
	switch {
	case err != nil:
		return 0, fmt.Errorf("%s: %w", name, err)
	case n < 0 || n > 1<<62:
		return 0, fmt.Errorf("%w: %s is %d", ErrSamples, name, n)
	}
	return n, nil
}

// appendRuns reads "0:3,1523:5", in quotes or without: from sample 0 on range 3, from 1523 on range 5, the smallest being 1.
func appendRuns(dst []RangeRun, text []byte, count, ranges int) ([]RangeRun, error) {
	text = bytes.TrimSpace(text)
	if n := len(text); n >= 2 && (text[0] == '"' || text[0] == '\'') && text[n-1] == text[0] {
		text = text[1 : n-1]
	}
	if count == 0 {
		return dst, nil
	}
	last := -1
	for rest := text; ; {
		var item []byte
		item, rest, _ = bytes.Cut(rest, []byte(","))
		offset, number, ok := bytes.Cut(item, []byte(":"))
		at, fine := digits(offset)
		of, also := digits(number)
		switch {
		case !ok || !fine || !also:
			return dst, fmt.Errorf("%w: %q is no list of ranges such as 0:3,1523:5", ErrSamples, shown(text))
		case last < 0 && at != 0:
			return dst, fmt.Errorf("%w: the range of its first sample is not said, the first is that of sample %d", ErrSamples, at)
		case at <= last:
			return dst, fmt.Errorf("%w: ranges are out of order, %d behind %d", ErrSamples, at, last)
		case at >= count:
			return dst, fmt.Errorf("%w: a range is said of sample %d of %d", ErrSamples, at, count)
		case of < 1 || of > ranges:
			return dst, fmt.Errorf("%w: sample %d is of range %d, and the ranges are 1 to %d", ErrSamples, at, of, ranges)
		}
		if last = at; len(dst) == 0 || dst[len(dst)-1].Range != of-1 {
			dst = append(dst, RangeRun{At: at, Range: of - 1})
		}
		if len(rest) == 0 {
			return dst, nil
		}
	}
}

// digits reads a number without a sign, of nine digits at most.
func digits(text []byte) (n int, ok bool) {
	if len(text) == 0 || len(text) > 9 {
		return 0, false
	}
	for _, c := range text {
		if c < '0' || c > '9' {
			return 0, false
		}
		n = 10*n + int(c-'0')
	}
	return n, true
}
