package driver_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/driver/ieee488"
	"fourwire/driver/model"
	"fourwire/internal/clock"
	"fourwire/internal/diag"
	"fourwire/internal/ledger"
	"fourwire/quantity"
	"fourwire/sim"
	"fourwire/transport"
	"fourwire/transport/transporttest"
)

// worker is a link to an instrument that takes its time for each message, one after the other, beside all others.
type worker struct {
	name    string
	clock   clock.Clock
	takes   time.Duration
	log     *[]string
	free    time.Time
	answers []string
	refuses string // words that it refuses
	queue   []string
	set     map[string]string
}

func (w *worker) Send(_ context.Context, message []byte) error {
	*w.log = append(*w.log, w.name+">"+string(message))
	if now := w.clock.Now(); w.free.Before(now) {
		w.free = now
	}
	w.free = w.free.Add(w.takes)
	for unit := range strings.SplitSeq(string(message), ";") {
		head, value, _ := strings.Cut(unit, " ")
		switch {
		case unit == "*IDN?":
			w.answers = append(w.answers, "Maker,Model,"+w.name+",1.0")
		case unit == "*OPC?":
			w.answers = append(w.answers, "1")
		case unit == ":SYST:ERR?" && len(w.queue) > 0:
			w.answers, w.queue = append(w.answers, w.queue[0]), w.queue[1:]
		case unit == ":SYST:ERR?":
			w.answers = append(w.answers, noError)
		case strings.HasSuffix(head, "?"):
			w.answers = append(w.answers, w.set[strings.TrimSuffix(head, "?")])
		case w.refuses != "" && strings.HasPrefix(unit, w.refuses):
			w.queue = append(w.queue, `-221,"Settings conflict"`)
		default:
			w.set[head] = value
		}
	}
	return nil
}

func (w *worker) Receive(ctx context.Context, into []byte) ([]byte, error) {
	if err := w.clock.Sleep(ctx, w.free.Sub(w.clock.Now())); err != nil {
		return into[:0], transport.Explain("no answer came before the time ran out", transport.ErrTimeout, context.DeadlineExceeded)
	}
	if len(w.answers) == 0 {
		return into[:0], errors.New("nothing was asked")
	}
	answer := w.answers[0]
	w.answers = w.answers[1:]
	*w.log = append(*w.log, w.name+"<"+answer)
	return append(into[:0], answer...), nil
}

func (w *worker) Close() error { return nil }

// crew is some sources that take 10 ms for each message.
type crew struct {
	clock   *clock.Virtual
	log     []string
	workers []*worker
	in      []*driver.Instrument
	sources []*driver.Source
}

func newCrew(t testing.TB, n int, wrap func(transport.Link) transport.Link) *crew {
	c := &crew{clock: clock.NewVirtual(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC))}
	var found diag.Findings
	m := model.Read("dc-source.yaml", []byte(libraryText(t, "dc-source")), &found)
	for i := range n {
		w := &worker{name: fmt.Sprint("psu-", i), clock: c.clock, takes: 10 * time.Millisecond, log: &c.log, set: map[string]string{":SOUR1:VOLT": "0"}}
		link := transport.Link(w)
		if wrap != nil {
			link = wrap(link)
		}
		in, err := driver.Open(context.Background(), driver.Config{Name: w.name, Model: m, Link: link, Clock: c.clock})
		if err != nil {
			t.Fatal(err)
		}
		s, err := in.Source(1)
		if err != nil {
			t.Fatal(err)
		}
		c.workers, c.in, c.sources = append(c.workers, w), append(c.in, in), append(c.sources, s)
	}
	c.log = nil
	return c
}

// setting has each source set its voltage.
func (c *crew) setting(volts quantity.Volt) (out []driver.Action) {
	for i, s := range c.sources {
		out = append(out, driver.Action{Instrument: c.in[i], Do: func(ctx context.Context) error { return s.SetVolts(ctx, volts+quantity.Volt(i)) }})
	}
	return out
}

// Words and questions of all go out before the first answer is waited for; nobody waits for another.
func TestTogetherOnTheWire(t *testing.T) {
	c := newCrew(t, 3, nil)
	begun := c.clock.Now()
	must(t, driver.Together(context.Background(), c.setting(5)...))
	want := `psu-0>:SOUR1:VOLT 5|psu-0>:SYST:ERR?|psu-1>:SOUR1:VOLT 6|psu-1>:SYST:ERR?|psu-2>:SOUR1:VOLT 7|psu-2>:SYST:ERR?|psu-0<0,"No error"|psu-1<0,"No error"|psu-2<0,"No error"`
	if got := strings.Join(c.log, "|"); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if took := c.clock.Since(begun); took != 20*time.Millisecond {
		t.Errorf("it took %v, want the time of one instrument", took)
	}
	c.log = nil
	var several []driver.Action
	for i, s := range c.sources[:2] {
		several = append(several,
			driver.Action{Instrument: c.in[i], Do: func(ctx context.Context) error { return s.SetAmps(ctx, 2) }}, // set, and read back
			driver.Action{Instrument: c.in[i], Do: func(ctx context.Context) error { return s.SetVolts(ctx, 9) }})
	}
	must(t, driver.Together(context.Background(), several...))
	want = `psu-0>:SOUR1:CURR 2|psu-0>:SYST:ERR?|psu-1>:SOUR1:CURR 2|psu-1>:SYST:ERR?|psu-0<0,"No error"|psu-0>:SOUR1:CURR?|psu-1<0,"No error"|psu-1>:SOUR1:CURR?|` +
		`psu-0<2|psu-0>:SOUR1:VOLT 9|psu-0>:SYST:ERR?|psu-1<2|psu-1>:SOUR1:VOLT 9|psu-1>:SYST:ERR?|psu-0<0,"No error"|psu-1<0,"No error"`
	if got := strings.Join(c.log, "|"); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

func TestInOrderCompletesOneBeforeTheNext(t *testing.T) {
	c := newCrew(t, 2, nil)
	actions := append(c.setting(5), c.setting(7)[1])
	must(t, driver.InOrder(context.Background(), actions...))
	want := `psu-0>:SOUR1:VOLT 5|psu-0>:SYST:ERR?|psu-0<0,"No error"|psu-0>*OPC?|psu-0<1|psu-1>:SOUR1:VOLT 6|psu-1>:SYST:ERR?|psu-1<0,"No error"|psu-1>:SOUR1:VOLT 8|psu-1>:SYST:ERR?|psu-1<0,"No error"`
	if got := strings.Join(c.log, "|"); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	c.workers[0].refuses, c.log = ":SOUR1:VOLT", nil
	if err := driver.InOrder(context.Background(), c.setting(5)...); err == nil || strings.Contains(strings.Join(c.log, "|"), "psu-1") {
		t.Errorf("behind a refusal: %v, %q", err, c.log)
	}
}

// One that fails ends what follows on the same instrument, and nothing else.
func TestTogetherWithARefusal(t *testing.T) {
	c := newCrew(t, 3, nil)
	c.workers[1].refuses = ":SOUR1:VOLT"
	done := 0
	count := driver.Action{Do: func(context.Context) error { done++; return nil }}
	var actions []driver.Action
	for i, a := range c.setting(5) {
		count.Instrument = c.in[i]
		actions = append(actions, a, count)
	}
	err := driver.Together(context.Background(), actions...)
	if err == nil || !strings.Contains(err.Error(), `psu-1 refused ":SOUR1:VOLT 6": -221`) || done != 2 {
		t.Errorf("got %v, and %d went on", err, done)
	}
	for i, w := range c.workers {
		if got := w.set[":SOUR1:VOLT"]; (got == fmt.Sprint(5+i)) != (i != 1) {
			t.Errorf("%s is set to %q", w.name, got)
		}
		if len(w.answers) > 0 {
			t.Errorf("%s still has %q to say", w.name, w.answers)
		}
	}
	c.workers[0].refuses = ":SOUR1:VOLT"
	if err := driver.Together(context.Background(), c.setting(5)...); err == nil || strings.Index(err.Error(), "psu-0") > strings.Index(err.Error(), "psu-1") {
		t.Errorf("both errors, in the order of the actions: %v", err)
	}
	if err := driver.Together(context.Background()); err != nil {
		t.Errorf("nothing gives %v", err)
	}
}

// Whichever message is lost, it is an error, the others are set, and every link is in step again with the next question.
func TestTogetherWhenAMessageIsLost(t *testing.T) {
	for k := 7; ; k++ { // the identities are the first six
		fault := transporttest.NewFault(k)
		c := newCrew(t, 3, func(l transport.Link) transport.Link { return fault.Wrap(l) })
		err := driver.Together(context.Background(), c.setting(5)...)
		if !fault.Fired() {
			if k != 7+9 || err != nil { // three instruments: words, question, answer
				t.Fatalf("undisturbed with message %d: %v", k, err)
			}
			return
		}
		if err == nil {
			t.Errorf("%s: no error", fault.Where())
		}
		for i, s := range c.sources {
			v, err := s.Volts(context.Background())
			if err != nil {
				t.Errorf("%s: afterwards %v", fault.Where(), err)
			}
			if float64(v) != float64(5+i) && !strings.Contains(fault.Where(), "VOLT") {
				t.Errorf("%s: %s is set to %v", fault.Where(), c.workers[i].name, v)
			}
		}
	}
}

// An answer that lies there while another instrument takes its time is not too late; one that does not come still is, by its own time limit.
func TestTogetherGivesEachAnswerItsOwnTime(t *testing.T) {
	c := newCrew(t, 2, nil)
	actions := c.setting(5)
	set := actions[0].Do
	actions[0].Do = func(ctx context.Context) error {
		return errors.Join(set(ctx), c.clock.Sleep(ctx, 5*time.Second)) // longer than an answer may take
	}
	must(t, driver.Together(context.Background(), actions...))
	begun := c.clock.Now()
	c.workers[1].takes = time.Minute
	err := driver.Together(context.Background(), actions...)
	if !errors.Is(err, ieee488.ErrNoAnswer) || strings.Contains(err.Error(), "psu-0") || c.clock.Since(begun) > 20*time.Second {
		t.Errorf("after %v: %v", c.clock.Since(begun), err)
	}
	ctx, cancel := c.clock.WithTimeout(context.Background(), time.Second)
	defer cancel()
	if err := driver.Together(ctx, actions...); err == nil || c.clock.Since(begun) > 25*time.Second {
		t.Errorf("beyond the caller's time after %v: %v", c.clock.Since(begun), err)
	}
}

func TestAnActionSpeaksToItsOwnInstrument(t *testing.T) {
	c := newCrew(t, 2, nil)
	actions := c.setting(5)
	actions[0].Do = func(ctx context.Context) error { return c.sources[1].SetVolts(ctx, 3) }
	err := driver.Together(context.Background(), actions...)
	if err == nil || !strings.Contains(err.Error(), "an action of psu-0 spoke to psu-1") {
		t.Errorf("got %v", err)
	}
	if got := c.workers[1].set[":SOUR1:VOLT"]; got != "6" {
		t.Errorf("psu-1 is set to %q", got)
	}
}

// Time that instruments spend together is booked once, on the one that is waited for.
func TestSpansOfWhatIsDoneTogether(t *testing.T) {
	c := newCrew(t, 3, nil)
	spans := ledger.New(c.clock)
	var actions []driver.Action
	for i, w := range c.workers {
		in, err := driver.Open(context.Background(), driver.Config{Name: w.name, Model: c.in[i].Model(), Link: w, Clock: c.clock, Spans: spans, WireTime: time.Millisecond})
		must(t, err)
		s, err := in.Source(1)
		must(t, err)
		actions = append(actions, driver.Action{Instrument: in, Do: func(ctx context.Context) error {
			return errors.Join(s.SetVolts(ctx, 5), s.Output(ctx, false), s.SetVolts(ctx, 6))
		}})
	}
	opened, before := spans.Elapsed(), kinds(spans)
	must(t, driver.Together(context.Background(), actions...))
	sum, down := 0.0, 0.0
	for _, s := range spans.Spans() {
		sum += s.Seconds
		if s.Kind == ledger.OutputDown {
			down += s.Seconds
		}
	}
	processing := kinds(spans)[ledger.Processing] - before[ledger.Processing]
	if math.Abs(sum-spans.Elapsed().Seconds()) > 1e-9 || math.Abs(down-0.02) > 1e-9 || processing < 0.03 || spans.Elapsed()-opened > 60*time.Millisecond {
		t.Errorf("%v s in all, %v s of it to switch off: %+v", sum, down, spans.Spans())
	}
}

const slowBench = `
fourwire: scenario/1
seed: 7
ambient: 23 degC
devices:
  lamp: {kind: resistor, plus: dut.in, resistance: 24 ohm}
  heater: {kind: resistor, plus: dut.aux, resistance: 24 ohm}
instruments:
  feed-psu: {kind: source, processing: 10 ms, channels: [{volts: 32 V, amps: 10 A, watts: 200 W}]}
  aux-psu:  {kind: source, processing: 10 ms, channels: [{volts: 32 V, amps: 10 A, watts: 200 W}]}
  sink-1:   {kind: load, processing: 10 ms}
  sink-2:   {kind: load, processing: 10 ms}
wiring:
  - {channel: feed-psu, node: dut.in}
  - {channel: sink-1, node: dut.in}
  - {channel: aux-psu, node: dut.aux}
  - {channel: sink-2, node: dut.aux}
`

// slowPoint sets two sources and two loads of a simulated bench whose instruments take 10 ms for a message.
func slowPoint(tb testing.TB) (*sim.Bench, []driver.Action) {
	var found diag.Findings
	s := sim.Read("slow.scenario.yaml", []byte(slowBench), &found)
	if s == nil {
		tb.Fatal(found.List())
	}
	b, err := sim.New(s, sim.Options{})
	if err != nil {
		tb.Fatal(err)
	}
	var out []driver.Action
	for _, name := range []string{"feed-psu", "aux-psu", "sink-1", "sink-2"} {
		link, err := b.Link(name)
		if err != nil {
			tb.Fatal(err)
		}
		kind := "dc-source"
		if strings.HasPrefix(name, "sink") {
			kind = "electronic-load"
		}
		in, err := driver.Open(context.Background(), driver.Config{Name: name, Model: modelOf(tb, libraryText(tb, kind)), Link: link, Clock: b.Clock()})
		if err != nil {
			tb.Fatal(err)
		}
		a := driver.Action{Instrument: in}
		if source, err := in.Source(1); err == nil {
			a.Do = func(ctx context.Context) error { return source.SetVolts(ctx, 12) }
		} else if load, err := in.Load(1); err == nil {
			a.Do = func(ctx context.Context) error { return load.Hold(ctx, quantity.MustParse("1 A")) }
		}
		out = append(out, a)
	}
	return b, out
}

// Four instruments that are set together take the time of one (virtual time, 10 ms of processing: exact).
func TestTogetherIsAsFastAsOneInstrument(t *testing.T) {
	b, actions := slowPoint(t)
	ctx := context.Background()
	clocked := func(do func() error) time.Duration {
		begun := b.Clock().Now()
		must(t, do())
		return b.Clock().Now().Sub(begun)
	}
	one := clocked(func() error { return actions[0].Do(ctx) })
	alone := clocked(func() error {
		for _, a := range actions {
			if err := a.Do(ctx); err != nil {
				return err
			}
		}
		return nil
	})
	together := clocked(func() error { return driver.Together(ctx, actions...) })
	if together > one+one/10 || alone < 7*together/2 {
		t.Errorf("one takes %v, all of them %v, and together %v", one, alone, together)
	}
}

// BenchmarkSetFourInstruments sets four instruments one by one, and together: simulated-ms is the time on the bench, ns/op the computer's.
func BenchmarkSetFourInstruments(b *testing.B) {
	bench, actions := slowPoint(b)
	ctx := context.Background()
	for _, way := range []struct {
		name string
		do   func() error
	}{
		{"alone", func() error {
			var all error
			for _, a := range actions {
				all = errors.Join(all, a.Do(ctx))
			}
			return all
		}},
		{"together", func() error { return driver.Together(ctx, actions...) }},
	} {
		b.Run(way.name, func(b *testing.B) {
			begun := bench.Clock().Now()
			n := 0
			b.ReportAllocs()
			for b.Loop() {
				if err := way.do(); err != nil {
					b.Fatal(err)
				}
				n++
			}
			b.ReportMetric(bench.Clock().Now().Sub(begun).Seconds()*1e3/float64(n), "simulated-ms/op")
		})
	}
}

// BenchmarkTogether is what the turns themselves cost: four instruments that answer at once.
func BenchmarkTogether(b *testing.B) {
	ctx := context.Background()
	var actions []driver.Action
	m := modelOf(b, libraryText(b, "dc-source"))
	for i := range 4 {
		link := &canned{answers: map[string][]byte{"*IDN?": []byte("M,D,1,1"), ":SYST:ERR?": []byte(noError)}}
		in, err := driver.Open(ctx, driver.Config{Name: fmt.Sprint(i), Model: m, Link: link, Spans: ledger.New(clock.Real())})
		if err != nil {
			b.Fatal(err)
		}
		s, err := in.Source(1)
		if err != nil {
			b.Fatal(err)
		}
		actions = append(actions, driver.Action{Instrument: in, Do: func(ctx context.Context) error { return s.SetVolts(ctx, 12) }})
	}
	for _, way := range []struct {
		name string
		do   func() error
	}{
		{"alone", func() error {
			var all error
			for _, a := range actions {
				all = errors.Join(all, a.Do(ctx))
			}
			return all
		}},
		{"together", func() error { return driver.Together(ctx, actions...) }},
	} {
		b.Run(way.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if err := way.do(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
