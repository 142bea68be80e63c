package record

// The folders of a record for long signals and for what was found in them.
const (
	TracesFolder    = "traces"
	AnalysisFolder  = "analysis"
	EmulationFolder = "emulation"
)

// Estimate is a value with its expanded uncertainty, k = 2.
type Estimate struct {
	Value   float64 `json:"value"` // SI; NaN: there is none
	U       float64 `json:"u"`     // NaN: not known
	Biggest string  `json:"biggest,omitempty"`
}

// Drain is what was found in a recorded current: analysis/TRACE.drain.json. NaN is null in the file.
type Drain struct {
	Trace       string  `json:"trace"`
	Signal      string  `json:"signal"`
	Volts       string  `json:"volts,omitempty"` // the signal that the energy was taken with, or a fixed voltage as text
	FromSeconds float64 `json:"from_s"`          // since the start of the trace
	ToSeconds   float64 `json:"to_s"`

	Mean   Estimate `json:"mean_A"`
	Charge Estimate `json:"charge_C"`
	Energy Estimate `json:"energy_J"`
	RMS    Estimate `json:"rms_A"`
	Peak   Estimate `json:"peak_A"`

	FloorAmps float64 `json:"floor_A"`
	EnterAmps float64 `json:"enter_A"` // threshold upwards
	LeaveAmps float64 `json:"leave_A"` // and downwards
	Method    string  `json:"method"`  // how they were found, in words

	States []DrainState `json:"states"`
	Events []DrainEvent `json:"events"` // of very many the 5000 with most charge, in order of time; all are in analysis/TRACE.events.csv
	Count  int          `json:"event_count"`
	Kinds  []DrainKind  `json:"kinds"`
	Spans  []DrainSpan  `json:"spans"` // at most 20000
	CCDF   []CCDFPoint  `json:"ccdf"`
	Inrush *Inrush      `json:"inrush,omitempty"`
	Ranges []DrainRange `json:"ranges"`
	Notes  []string     `json:"notes"`

	Against *Comparison  `json:"against,omitempty"`
	Life    []LifeResult `json:"life,omitempty"`
}

// DrainState is one state of the device: "sleep", "activity 1".
type DrainState struct {
	Name      string  `json:"name"`
	Seconds   float64 `json:"s"`
	Coulombs  float64 `json:"C"`
	U         float64 `json:"U_C"`
	MeanAmps  float64 `json:"mean_A"`
	PeakAmps  float64 `json:"peak_A"`
	Share     float64 `json:"share"`      // of the charge
	TimeShare float64 `json:"time_share"` // of the time
	Visits    int     `json:"visits"`
}

// DrainEvent is one burst of activity.
type DrainEvent struct {
	Start    float64     `json:"start_s"` // since the start of the trace
	Seconds  float64     `json:"s"`
	Coulombs float64     `json:"C"`
	U        float64     `json:"U_C"`
	Joules   float64     `json:"J"`
	PeakAmps float64     `json:"peak_A"`
	MeanAmps float64     `json:"mean_A"`
	Kind     int         `json:"kind"` // index into Kinds; -1: like no other
	Parts    []DrainPart `json:"parts,omitempty"`
}

// DrainPart is the share of a state in an event.
type DrainPart struct {
	State    int     `json:"state"` // index into States
	Seconds  float64 `json:"s"`
	Coulombs float64 `json:"C"`
}

// DrainKind is a group of events that are alike.
type DrainKind struct {
	Name           string  `json:"name"`
	Count          int     `json:"count"`
	PeriodSeconds  float64 `json:"period_s"` // NaN: none was found
	PeriodSpread   float64 `json:"period_spread_s"`
	MeanSeconds    float64 `json:"mean_s"`
	MeanCoulombs   float64 `json:"mean_C"`
	SpreadCoulombs float64 `json:"spread_C"`
	PeakAmps       float64 `json:"peak_A"`
}

// DrainSpan says which state begins at a sample.
type DrainSpan struct {
	FromIndex int64 `json:"from"`
	State     int   `json:"state"` // index into States; -1: nothing was recorded
}

// CCDFPoint says for which fraction of the time the current was above a value.
type CCDFPoint struct {
	Amps  float64 `json:"A"`
	Above float64 `json:"above"`
}

// Inrush is the current at switching on.
type Inrush struct {
	Start    float64 `json:"start_s"`
	Seconds  float64 `json:"s"`
	PeakAmps float64 `json:"peak_A"`
	Coulombs float64 `json:"C"`
}

// DrainRange says how long a measuring range was in use, and for which charge.
type DrainRange struct {
	FullAmps float64 `json:"full_A"`
	Seconds  float64 `json:"s"`
	Coulombs float64 `json:"C"`
}

// Comparison says where the charge of two recordings went.
type Comparison struct {
	Record string        `json:"record,omitempty"` // of the other; empty: the same
	Trace  string        `json:"trace"`
	Lines  []CompareLine `json:"lines"`          // the whole first, then states and kinds
	CCDF   []CCDFPoint   `json:"ccdf,omitempty"` // of the other, to be drawn over this one's
	Notes  []string      `json:"notes,omitempty"`
}

// CompareLine compares one number of two recordings.
type CompareLine struct {
	What       string  `json:"what"` // "mean current", "state sleep", "kind report"
	Unit       string  `json:"unit"`
	A          float64 `json:"a"`          // this recording
	B          float64 `json:"b"`          // the other
	Difference float64 `json:"difference"` // a - b
	U          float64 `json:"u"`          // of the difference, k = 2; what both share has dropped out
	Judgement  string  `json:"judgement"`  // better, worse, no difference
}

// LifeResult is how long a battery feeds a current.
type LifeResult struct {
	Title         string     `json:"title"`
	Battery       string     `json:"battery"` // name of its file
	Hours         float64    `json:"h"`
	Low           float64    `json:"low_h"`
	High          float64    `json:"high_h"`
	MeanAmps      float64    `json:"mean_A"`
	PeakAmps      float64    `json:"peak_A"`
	UsableCoulomb float64    `json:"usable_C"`
	EndedBy       string     `json:"ended_by"`
	Dominant      string     `json:"dominant"` // what the width of the interval is mostly from
	Parts         []LifePart `json:"parts"`
	Notes         []string   `json:"notes,omitempty"`
}

// LifePart is one contributor to the interval of a life.
type LifePart struct {
	Name  string  `json:"name"`
	Low   float64 `json:"low_h"`
	High  float64 `json:"high_h"`
	Share float64 `json:"share"`
}

// Emulation is how a played battery was left: emulation/NAME.json. Another run can go on from it.
type Emulation struct {
	Name          string    `json:"name"`
	Battery       string    `json:"battery"`        // name of its file
	BatterySHA256 string    `json:"battery_sha256"` // of that file, as it was
	Source        string    `json:"source"`         // the role or instrument that played it
	From          float64   `json:"from"`           // state of charge at the start, 0..1
	Charge        float64   `json:"charge"`         // and at the end
	PairVolts     []float64 `json:"pair_V"`         // of the battery's RC pairs, at the end
	OpenVolts     float64   `json:"open_V"`         // open-circuit voltage, at the end
	DrawnCoulombs float64   `json:"drawn_C"`        // since the start
	DrawnJoules   float64   `json:"drawn_J"`
	Seconds       float64   `json:"s"`
	EverySeconds  float64   `json:"every_s"`
	Kelvin        float64   `json:"K"`
	CountedBy     string    `json:"counted_by"` // where the charge came from, in words
	Resistance    string    `json:"resistance"` // who makes the resistance: "output", "software"
	LatencyVolts  float64   `json:"latency_V"`  // estimated error made by setting late; NaN: none
	EndedBy       string    `json:"ended_by"`   // in words
	Notes         []string  `json:"notes,omitempty"`
}
