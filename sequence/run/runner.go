package run

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	cell "fourwire/analysis/battery"
	"fourwire/driver"
	"fourwire/internal/clock"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence"
	"fourwire/sequence/expr"
	"fourwire/sequence/plan"
)

// runner is one run. One goroutine uses it.
type runner struct {
	cfg     Config
	plan    *plan.Plan
	clock   clock.Clock
	started time.Time

	roles   []roleState
	state   []plan.Setting // last sent, by role
	gauges  []gaugeState
	groups  map[any]*group  // readings of a step or an expression, grouped once
	touched map[string]bool // instruments with commands whose errors have not been asked for
	order   []string        // the same instruments, in the order of the plan
	params  map[string]measured.Value

	references map[*sequence.Check]measured.Value // what values have to come back to

	place  diag.Place // of the step under way
	frames []frame
	nodes  map[nodeKey]measured.Value // readings for the expression under way

	lastMove  time.Time // when a source was set to something else
	toldSpent time.Time // when the log was told where the time went
	fits      bool      // there is a fit among the steps
	inPulse   bool      // a pulsed source is at its level

	notes    *[]string // of the point under way, while it is measured
	zeros    map[zeroKey]measured.Value
	ofZero   map[measured.ID]bool // inputs that readings share through a zero
	origins  map[string]*origin   // of error inputs, by what their names begin with
	divisors map[*expr.Expr][]*expr.Expr
	popped   []named // of the pass that ended last
	good     bool    // whether its point is valid and has settled

	listed  *listedPoint // the point under way, where its readings come from a list; nil: they do not
	ff      *forward     // nil: not on the way to where a run goes on
	ordinal int          // of the step under way, counted through the whole run

	digitisers map[plan.Channel]Digitiser
	captures   map[string]*captured // the latest of each capture step, by its trace
	under      *capturing           // the capture under way
	shorting   *roleState           // the load that is a short circuit now; nil: none
	running    []runningList        // lists under way

	recs    []*recording           // under way
	keeper  Keeper                 // nil: the sink is none
	made    map[string]int         // how often each record step's trace has been made
	traces  map[string]string      // the latest trace of each record step
	lengths map[string]int64       // by trace: samples that were asked for
	drains  map[string]*drained    // by trace
	meanOf  map[string]string      // the trace that a name is the mean current of
	lives   []record.LifeResult    // that belong to no trace
	charges map[string]cell.State  // where the last emulation of each battery ended
	looked  time.Time              // at the outputs, while something is recorded or emulated
	had     map[int]recordedBefore // recordings that a run which goes on has, by the ordinal of their step

	relays   map[plan.Channel]Switcher // that join meters to nodes
	contacts contacts
	chosen   map[*sequence.Settle]bool // whether its readers have been chosen

	up     []*railGroup // rails that are up, or on their way
	leaves time.Time    // when the way out began

	places map[diag.Place]string // of steps, as text
	rising *rising               // outputs that are watched on their way up; nil: none

	begun                      int // points, those under way included
	points, invalid, unsettled int
	columns                    []store // kept for the summary
	verdicts                   []record.Verdict
	results                    []record.Result
	after                      []NodeAfter
	sinkErr                    error
	endTrip                    error // a protection that was found tripped on the way out
	why                        Cause
}

type nodeKey struct{ function, node string }

// roleState is a role with its channel.
type roleState struct {
	*plan.Role
	feed     Feeder   // of a source
	sink     Sinker   // of a load
	relay    Switcher // of a switch
	recorder Recorder // of a recorder
	wasOn    bool     // some time in this run: the node must be looked at afterwards
	held     held
	response Response
	offAt    time.Time // when it was switched off last
	offDone  time.Time // when it was seen to be off, on the way out
	pulse    *pulsed   // nil: it is not pulsed
	rests    time.Time // until when a pulsed source rests
}

// gaugeState is a node measurement with its channel.
type gaugeState struct {
	*plan.Gauge
	meter    Gauge
	arm      Armer // nil: it has no such ability
	function driver.Function
	guard    quantity.Span
	armed    float64 // full scale that it stands on; 0: not known
	// guessed says that what is expected here is a guess, which learned makes better: the part of it that was read last.
	guessed bool
	learned float64 // 0: nothing yet
	given   []given // the latest readings
	fresh   int     // how many of them belong to the measure step under way
	last    driver.Reading
	read    bool
}

// frame is one pass through a list of steps.
type frame struct {
	name   string // coordinate of the sweep or repeat that runs the steps; empty: none
	coord  measured.Value
	label  string
	values []named // measured and derived here
	row    *row    // nil: the steps make no point
	ahead  float64 // how much the coordinate grows to its next value; 0: it has none
	since  float64 // of the point that was just ended: s from the last move of a source to its reading; 0: not known
	// late says what did not settle in this pass; it holds for points of the steps below, too.
	late string

	trail []passed // settings and waits that were gone by, on the way to where a run goes on
	mark  int      // ordinal of the step behind the last point or pass of this list
}

type named struct {
	name  string
	value measured.Value
}

// row is a point in the making.
type row struct {
	number   int
	at       time.Duration
	measured bool
	cells    map[string]record.Cell
	modes    map[string]string
	ranges   map[string]string
	why      []string // why it is not valid
	notes    []string
	since    float64 // s from the last move of a source to its reading; 0: not known

	heldValues int           // how many values of its pass were kept by hold
	stored     *record.Point // as in the record that the run goes on with; nil: it is being measured
	whole      bool          // the record has all of it
}

// store is a finished point, kept for the summary.
type store struct {
	values []named
	part   string
	good   bool

	limited bool    // not good since a source was in compliance
	since   float64 // s from the last move of a source to its reading; NaN: not known
}

func newRunner(c Config) (*runner, error) {
	if c.Plan == nil {
		return nil, errors.New("there is no plan to run")
	}
	if c.OffWithin <= 0 {
		c.OffWithin = 5 * time.Second
	}
	if c.DischargeWithin <= 0 {
		c.DischargeWithin = 3 * time.Second
	}
	if c.Sink == nil {
		c.Sink = nowhere{}
	}
	if c.Observe == nil {
		c.Observe = func(Event) {}
	}
	r := &runner{
		cfg: c, plan: c.Plan, clock: clock.Or(c.Clock), groups: map[any]*group{}, touched: map[string]bool{},
		zeros: map[zeroKey]measured.Value{}, ofZero: map[measured.ID]bool{}, origins: map[string]*origin{}, divisors: map[*expr.Expr][]*expr.Expr{},
		made: map[string]int{}, captures: map[string]*captured{}, traces: map[string]string{}, drains: map[string]*drained{}, lengths: map[string]int64{}, meanOf: map[string]string{}, charges: map[string]cell.State{},
		relays: map[plan.Channel]Switcher{}, contacts: contacts{}, chosen: map[*sequence.Settle]bool{},
		params: map[string]measured.Value{}, references: map[*sequence.Check]measured.Value{}, nodes: map[nodeKey]measured.Value{},
	}
	r.keeper, _ = c.Sink.(Keeper)
	r.fits = fits(c.Plan.Sequence.Steps)
	r.started = r.clock.Now()
	if c.Resume != nil {
		r.started = c.Resume.Started
	}
	for _, p := range c.Plan.Sequence.Params {
		if len(p.Values.List) == 1 {
			r.params[p.Name] = measured.Exact(p.Values.List[0])
		}
	}
	for range c.Plan.Roles {
		r.state = append(r.state, plan.NotSet())
	}
	return r, r.connect()
}

// where is the coordinates of the moment: "vin 9 V, iout 3 A".
func (r *runner) where() string {
	var parts []string
	for i := range r.frames {
		if f := &r.frames[i]; f.name != "" {
			text := f.coord.Quantity().String()
			if f.name == plan.RepeatColumn {
				text = strconv.FormatFloat(f.coord.X, 'f', 0, 64)
			}
			parts = append(parts, f.name+" "+text)
		}
	}
	return strings.Join(parts, ", ")
}

func (r *runner) part() string {
	for i := len(r.frames) - 1; i >= 0; i-- {
		if r.frames[i].label != "" {
			return r.frames[i].label
		}
	}
	return ""
}

// note writes an event into the record and shows it; more are names and values that belong to it.
func (r *runner) note(kind, level, text string, more ...string) {
	if r.ff != nil && !r.ff.loud {
		return // it was noted when it happened
	}
	text = diag.Printable(strings.ReplaceAll(text, "\n", "; "))
	r.tell(Event{Kind: kind, Level: level, Text: text})
	fields := map[string]any{}
	if r.place.Line > 0 {
		fields["place"] = r.place.String()
	}
	if w := r.where(); w != "" {
		fields["where"] = w
	}
	for i := 0; i+1 < len(more); i += 2 {
		fields[more[i]] = more[i+1]
	}
	r.write(func() error {
		return r.cfg.Sink.Event(record.Event{Level: level, Kind: kind, Text: text, Fields: fields})
	})
}

func (r *runner) tell(e Event) {
	e.At, e.Done, e.Planned = r.clock.Since(r.started), r.points, r.plan.Points
	if e.Level == "" {
		e.Level = "info"
	}
	defer func() { _ = recover() }() // whoever watches cannot keep the outputs on
	r.cfg.Observe(e)
}

// write hands something to the record and remembers the first failure; the walk ends at the next step. A panic in there is
// a failure too, so that the way out stays open.
func (r *runner) write(call func() error) {
	defer func() {
		if fault := recover(); fault != nil && r.sinkErr == nil {
			r.sinkErr = fmt.Errorf("a fault of the program itself: %v", fault)
		}
	}()
	if err := call(); err != nil && r.sinkErr == nil {
		r.sinkErr = err
	}
}

// checkErrors asks every touched instrument what went wrong.
func (r *runner) checkErrors(ctx context.Context) error {
	var tasks []task
	var names []string
	for _, name := range r.order {
		if r.touched[name] {
			names = append(names, name)
			tasks = append(tasks, task{name, func(ctx context.Context) error { return r.checkInstrument(ctx, name) }})
		}
	}
	ctx, release, err := r.claim(ctx, names...)
	if err != nil {
		return err
	}
	defer release()
	return r.together(ctx, tasks...)
}

// checkInstrument asks one instrument, where anything was sent to it since the last time.
func (r *runner) checkInstrument(ctx context.Context, name string) error {
	if !r.touched[name] {
		return nil
	}
	ctx, release, err := r.claim(ctx, name)
	if err != nil {
		return err
	}
	defer release()
	if err := r.cfg.Instruments[name].CheckErrors(ctx); err != nil {
		return err
	}
	r.touched[name] = false
	return nil
}

type nowhere struct{}

func (nowhere) Point(record.Point) error     { return nil }
func (nowhere) Verdict(record.Verdict) error { return nil }
func (nowhere) Result(record.Result) error   { return nil }
func (nowhere) Event(record.Event) error     { return nil }
