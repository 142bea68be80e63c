package driver

import (
	"context"
	"errors"
	"time"

	"fourwire/driver/model"
	"fourwire/internal/clock"
	"fourwire/quantity"
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
	MainsHertz       float64          // for apertures counted in cycles; 0 is 50
}

// Identity is what an instrument says of itself.
type Identity struct{ Maker, Model, Serial, Firmware string }

// Instrument is an open instrument. It is used by one goroutine at a time.
type Instrument struct{}

var errNotYet = errors.New("not written yet")

// Open checks the identity and gives the instrument; nothing has been set then. The link stays the caller's until Close.
func Open(ctx context.Context, c Config) (*Instrument, error) { return nil, errNotYet }

// Name is the instrument's name on the bench.
func (in *Instrument) Name() string { return "" }

// Model is its model.
func (in *Instrument) Model() *model.Model { return nil }

// Identity is what it answered when it was opened.
func (in *Instrument) Identity() Identity { return Identity{} }

// Prepare brings the instrument into a known state: errors and status cleared, settings at their start, outputs off and that verified.
func (in *Instrument) Prepare(ctx context.Context) error { return errNotYet }

// CheckErrors empties the error queue; what was in it is an *ieee488.Fault.
func (in *Instrument) CheckErrors(ctx context.Context) error { return errNotYet }

// Abort stops a running acquisition and switches every output and input off, as fast as it goes.
func (in *Instrument) Abort(ctx context.Context) error { return errNotYet }

// Release gives the instrument back to its front panel, outputs off.
func (in *Instrument) Release(ctx context.Context) error { return errNotYet }

// Close closes the link.
func (in *Instrument) Close() error { return errNotYet }

// Source gives the source of a channel.
func (in *Instrument) Source(ch int) (*Source, error) { return nil, errNotYet }

// Load gives the load of a channel.
func (in *Instrument) Load(ch int) (*Load, error) { return nil, errNotYet }

// Meter gives the measuring side of a channel: of a meter, but also of a source or load that measures.
func (in *Instrument) Meter(ch int) (*Meter, error) { return nil, errNotYet }

// Status is what a source or load is doing.
type Status struct {
	On      bool
	Mode    string   // "CV", "CC", "CR", "CP", "off" or "unregulated"
	Tripped []string // "over-voltage", "over-current", ...
}

// Source is one channel that delivers.
type Source struct{}

func (s *Source) SetVolts(ctx context.Context, v quantity.Volt) error { return errNotYet }
func (s *Source) SetAmps(ctx context.Context, a quantity.Amp) error   { return errNotYet }
func (s *Source) SetProtection(ctx context.Context, over quantity.Volt, overAmps quantity.Amp) error {
	return errNotYet
}
func (s *Source) Sense(ctx context.Context, remote bool) error { return errNotYet }
func (s *Source) Output(ctx context.Context, on bool) error    { return errNotYet }
func (s *Source) ClearProtection(ctx context.Context) error    { return errNotYet }
func (s *Source) Status(ctx context.Context) (Status, error)   { return Status{}, errNotYet }

// Load is one channel that carries current.
type Load struct{}

func (l *Load) Hold(ctx context.Context, q quantity.Quantity) error { return errNotYet }
func (l *Load) SetProtection(ctx context.Context, overVolts quantity.Volt, overAmps quantity.Amp) error {
	return errNotYet
}
func (l *Load) Sense(ctx context.Context, remote bool) error { return errNotYet }
func (l *Load) Input(ctx context.Context, on bool) error     { return errNotYet }
func (l *Load) ClearProtection(ctx context.Context) error    { return errNotYet }
func (l *Load) Status(ctx context.Context) (Status, error)   { return Status{}, errNotYet }

// Function is what a meter measures.
type Function uint8

// The functions.
const (
	Volts Function = iota + 1
	Amps
)

// Request is one reading that is wanted.
type Request struct {
	Function Function
	Aperture time.Duration // 0: the model's default
	Expect   float64       // SI, for the choice of the range; NaN: the largest
}

// Reading is one reading.
type Reading struct {
	Value      measured.Value
	RangeFull  float64 // SI
	Overload   bool    // the value is beyond the range and must not be used
	Start, End time.Time
}

// Meter is the measuring side of a channel.
type Meter struct{}

func (m *Meter) Begin(ctx context.Context, r Request) error { return errNotYet }
func (m *Meter) End(ctx context.Context) (Reading, error)   { return Reading{}, errNotYet }
