package driver

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"time"

	"fourwire/driver/ieee488"
	"fourwire/driver/model"
	"fourwire/internal/clock"
	"fourwire/internal/ledger"
	"fourwire/quantity/measured"
	"fourwire/transport"
)

// Config says which instrument to open and how. Name, Model and Link are needed.
type Config struct {
	Name             string // on the bench: "feed-psu"
	Address          string // for messages
	Model            *model.Model
	Link             transport.Link
	Clock            clock.Clock      // nil is the machine's
	Ledger           *measured.Ledger // of the run; nil: readings have no error terms
	Expect           Identity         // parts that are not empty must be answered exactly
	CheckEachCommand bool             // ask for errors after each command, not after each action
	AmbientKelvin    float64          // 0: inside every calibration band
	Age              time.Duration    // since the last calibration; 0: not known, taken as inside the interval
	MainsHertz       float64          // for apertures counted in cycles; 0 is 50
	Spans            *ledger.Ledger   // account of time; nil: none is kept
	WireTime         time.Duration    // what one exchange costs on its way, as part of the account; 0: not known
	ByteTime         time.Duration    // and each of its bytes besides, on a serial line
}

// Identity is what an instrument says of itself.
type Identity = ieee488.Identity

// Instrument is an open instrument. It is used by one goroutine at a time.
type Instrument struct {
	config   Config
	model    *model.Model
	clock    clock.Clock
	wire     wire
	device   *ieee488.Device
	identity Identity
	channels []channel

	posed    *acquisition // whose question has been sent and not been answered yet
	message  []byte       // memory for what is sent
	elements [][]byte     // memory for an answer taken apart
}

// channel is one channel and what is known of its state.
type channel struct {
	in         *Instrument
	number     int
	spec       *model.Channel
	limited    bool // the current limit has been set since Prepare
	level      bool // so has the voltage
	forces     bool // a source that forces amps
	complies   bool // its voltage compliance has been set since Prepare
	mode       string
	levelRange float64 // of a load's level
	recording  *recording
	capture    *capture
	list       *listing
	stands     standing

	measuring
}

// Open checks who answers and gives the instrument; nothing has been set then. The link stays the caller's until Close of the
// instrument; where Open fails, it stays open.
func Open(ctx context.Context, c Config) (*Instrument, error) {
	if c.Model == nil || c.Link == nil {
		return nil, errors.New("an instrument needs a model and a link")
	}
	if c.MainsHertz == 0 {
		c.MainsHertz = 50
	}
	in := &Instrument{config: c, model: c.Model, clock: clock.Or(c.Clock)}
	in.channels = make([]channel, len(c.Model.Channels))
	for i := range in.channels {
		in.channels[i] = channel{in: in, number: i + 1, spec: &c.Model.Channels[i]}
	}
	in.wire = wire{Link: c.Link, in: in, spans: c.Spans, name: c.Name, way: c.WireTime, perByte: c.ByteTime}
	in.device = ieee488.New(in.words())
	if !c.Model.Dialect.CanAsk("identity") {
		return nil, fmt.Errorf("%s: the model has no words for its identity", c.Name)
	}
	answer, err := in.device.IdentityAnswer(ctx)
	if err != nil {
		return nil, fmt.Errorf("who is there is not known: %w", err)
	}
	if in.identity, err = in.readIdentity(answer); err != nil {
		return nil, in.device.Fault([]byte(in.question("identity")), err)
	}
	if err := in.recognise(); err != nil {
		return nil, err
	}
	return in, nil
}

// words turns the model's dialect into those that a conversation needs at any time.
func (in *Instrument) words() ieee488.Config {
	w := in.model.Wire
	c := ieee488.Config{
		Link: &in.wire, Instrument: in.config.Name, Address: in.config.Address, Clock: in.clock,
		AnswerWithin: w.AnswerWithin, PlainLine: w.PlainLine,
		Identity: in.question("identity"), NextError: in.question("error"), Events: in.question("events"), AskEnd: in.question("end"),
		ClearAll: in.command("clear"), MarkEnd: in.command("mark end"),
	}
	if q := in.model.Dialect.Ask["error"]; len(q.Means) > 0 || len(q.Fields) > 1 || q.Match != nil {
		c.ParseEntry = func(answer []byte) (ieee488.Entry, error) { return in.readEntry(q, answer) }
	}
	return c
}

// question is the words for a query of the instrument as a whole; empty where there are none.
func (in *Instrument) question(verb string) string {
	if q := in.model.Dialect.Ask[verb]; len(q.Send) > 0 {
		return q.Send[0].String()
	}
	return ""
}

func (in *Instrument) command(verb string) string {
	if t := in.model.Dialect.Say[verb]; len(t) > 0 {
		return t[0].String()
	}
	return ""
}

// recognise compares the identity with the model's pattern and with what the bench expects.
func (in *Instrument) recognise() error {
	id, p, want := in.identity, in.model.Identity, in.config.Expect
	var wrong []error
	for _, part := range []struct {
		name, got, want string
		pattern         *regexp.Regexp
	}{
		{"maker", id.Maker, want.Maker, p.Maker},
		{"model", id.Model, want.Model, p.Model},
		{"serial number", id.Serial, want.Serial, nil},
		{"firmware", id.Firmware, want.Firmware, p.Firmware},
	} {
		if part.want != "" && part.want != part.got {
			wrong = append(wrong, fmt.Errorf("its %s is %q, where the bench has %q", part.name, part.got, part.want))
		}
		if part.pattern != nil && !part.pattern.MatchString(part.got) {
			wrong = append(wrong, fmt.Errorf("its %s is %q, which the model %s does not know", part.name, part.got, in.model.Name))
		}
	}
	if wrong == nil {
		return nil
	}
	at := in.config.Name
	if in.config.Address != "" {
		at += " at " + in.config.Address
	}
	return fmt.Errorf("%s: %w: %w", at, ErrIdentity, errors.Join(wrong...))
}

// Name is the instrument's name on the bench.
func (in *Instrument) Name() string { return in.config.Name }

// Model is its model.
func (in *Instrument) Model() *model.Model { return in.model }

// Identity is what it answered when it was opened.
func (in *Instrument) Identity() Identity { return in.identity }

// Close closes the link.
func (in *Instrument) Close() error { return in.config.Link.Close() }

// CheckErrors empties the error queue; what was in it is an *ieee488.Fault. An instrument without a queue is asked for its event
// register, where it has one. An instrument that takes compound messages also tells whether it has restarted since it was prepared; that is
// ErrRestarted.
func (in *Instrument) CheckErrors(ctx context.Context) error {
	if err := in.hearPosed(ctx); err != nil {
		return err
	}
	if in.tellsRestart() {
		return in.device.CheckAll(ctx)
	}
	return in.device.Check(ctx)
}

// tellsRestart tells whether the event register can be asked for together with the error queue, both in the words of the standards.
func (in *Instrument) tellsRestart() bool {
	d := in.model.Dialect
	events, entry := d.Ask["events"], d.Ask["error"]
	if !d.CanSay("clear") || len(events.Send) != 1 || len(entry.Send) != 1 || events.Match != nil || len(events.Fields) != 1 || len(entry.Fields) != 1 ||
		entry.Match != nil || len(entry.Means) > 0 {
		return false
	}
	first := len(in.question("events"))
	return in.joins([]byte(in.question("events")+";"+in.question("error")), first+1)
}

// at gives a channel by its number.
func (in *Instrument) at(number int) (*channel, error) {
	if number < 1 || number > len(in.channels) {
		return nil, fmt.Errorf("%s has no channel %d, only 1 to %d", in.config.Name, number, len(in.channels))
	}
	return &in.channels[number-1], nil
}

// Source gives the source of a channel.
func (in *Instrument) Source(ch int) (*Source, error) {
	c, err := in.at(ch)
	if err != nil {
		return nil, err
	}
	if c.spec.Source == nil {
		return nil, c.cannot("sourcing")
	}
	return &Source{c}, nil
}

// Load gives the load of a channel.
func (in *Instrument) Load(ch int) (*Load, error) {
	c, err := in.at(ch)
	if err != nil {
		return nil, err
	}
	if c.spec.Load == nil {
		return nil, c.cannot("loading")
	}
	return &Load{c}, nil
}

// Meter gives the measuring side of a channel: of a meter, but also of a source or load that measures. Several of one channel may be
// in use, one for volts and one for amps; where the channel takes both together, their readings are of one time.
func (in *Instrument) Meter(ch int) (*Meter, error) {
	c, err := in.at(ch)
	if err != nil {
		return nil, err
	}
	if len(c.spec.Volts)+len(c.spec.Amps) == 0 {
		return nil, c.cannot("measuring")
	}
	return &Meter{channel: c}, nil
}

const resetWithin = 10 * time.Second
