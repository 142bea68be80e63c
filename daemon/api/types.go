package api

import "time"

// State is where a job stands.
type State string

// The states of a job.
const (
	Scheduled   State = "scheduled"   // waits for its time
	Queued      State = "queued"      // waits for its instruments, or for the bench to be armed
	Starting    State = "starting"    // its process is being started
	Running     State = "running"     //
	Done        State = "done"        // came to its end; its outcome says how
	Failed      State = "failed"      // ended early: the reason says why
	Interrupted State = "interrupted" // the daemon went away in the middle; outputs have been verified off, unless the reason says that the bench has vanished
	Cancelled   State = "cancelled"   //
)

// Retry says when a job that failed is run again by itself. The zero value: never.
type Retry struct {
	Attempts int    `json:"attempts,omitempty" doc:"runs in all, at most 10; 0 and 1: no second one"`
	After    string `json:"after,omitempty" doc:"pause before the next one, as in 30 s; empty: 10 s"`
}

// Submission asks for a run.
type Submission struct {
	Sequence    string            `json:"sequence,omitempty" doc:"name of a file in the sequences folder; empty: text is given"`
	Text        string            `json:"text,omitempty" doc:"the sequence itself"`
	Name        string            `json:"name,omitempty" doc:"file name of text; empty: sequence.yaml"`
	Files       map[string]string `json:"files,omitempty" doc:"files that the steps of text name, by name; those not given are taken from the sequences folder"`
	Set         map[string]string `json:"set,omitempty" doc:"parameters by name, values with their units: 12 V, or [9 V, 12 V]"`
	Device      string            `json:"device,omitempty" doc:"serial number of the device under test, for the record; 80 characters at most"`
	Bench       string            `json:"bench,omitempty" doc:"which bench: empty is this one, any the first that fits; at a hub empty is any"`
	Priority    int               `json:"priority,omitempty" doc:"-100 to 100; higher goes first"`
	At          time.Time         `json:"at,omitzero" doc:"not before this time"`
	Every       string            `json:"every,omitempty" doc:"again and again, as in 6 h, from at on; 10 s at least"`
	Retry       Retry             `json:"retry,omitzero"`
	Seed        *uint64           `json:"seed,omitempty" doc:"of a simulated bench"`
	Acknowledge string            `json:"acknowledge,omitempty" doc:"name of who takes note of voltages that are dangerous to touch"`
	NoHookup    bool              `json:"no_hookup,omitempty" doc:"do not check the hook-up before the first run of a day"`
	AcceptFit   string            `json:"accept_fit,omitempty" doc:"reason for which misfits that can only spoil results are accepted"`
}

// Attempt is one run of a job.
type Attempt struct {
	Record  string    `json:"record" doc:"record of the run; two attempts of a resumed job share one"`
	Started time.Time `json:"started"`
	Ended   time.Time `json:"ended,omitzero"`
	Exit    *int      `json:"exit,omitempty" doc:"exit status of the run: 0 pass, 1 fail, 2 undecided, 3 input, 4 bench, 5 safety, 130 interrupted"`
	Reason  string    `json:"reason,omitempty"`
}

// Job is one asked-for run and what became of it.
type Job struct {
	ID          string    `json:"id" doc:"UUIDv7"`
	State       State     `json:"state" enum:"scheduled,queued,starting,running,done,failed,interrupted,cancelled"`
	Title       string    `json:"title"`
	Sequence    string    `json:"sequence" doc:"file name of the sequence"`
	Settings    []string  `json:"settings,omitempty" doc:"parameters as set: vin=12 V"`
	Device      string    `json:"device,omitempty" doc:"serial number of the device under test"`
	Bench       string    `json:"bench,omitempty" doc:"which bench it is for; any: one that fits"`
	Holder      string    `json:"holder,omitempty" doc:"the bench of the lab that has it"`
	Priority    int       `json:"priority"`
	Owner       string    `json:"owner" doc:"who submitted it"`
	Submitted   time.Time `json:"submitted"`
	At          time.Time `json:"at,omitzero"`
	Every       string    `json:"every,omitempty"`
	From        string    `json:"from,omitempty" doc:"the recurring job that made it"`
	Retry       Retry     `json:"retry,omitzero"`
	Instruments []string  `json:"instruments" doc:"those it needs for itself"`
	Planned     int       `json:"planned" doc:"points that its sweeps ask for"`
	Predicted   float64   `json:"predicted_s" doc:"how long it will take"`
	Waits       string    `json:"waits,omitempty" doc:"why it does not run yet"`
	Points      int       `json:"points" doc:"so far"`
	Progress    string    `json:"progress,omitempty" doc:"what it does, in words"`
	Attempts    []Attempt `json:"attempts,omitempty"`
	Record      string    `json:"record,omitempty" doc:"of the last attempt"`
	Outcome     string    `json:"outcome,omitempty" enum:"pass,fail,undecided,not judged"`
	Exit        *int      `json:"exit,omitempty"`
	Reason      string    `json:"reason,omitempty" doc:"why it ended early"`
	Hint        string    `json:"hint,omitempty" doc:"what can be done about it"`
	Resumable   bool      `json:"resumable,omitempty" doc:"POST .../resume goes on after its last whole point"`
	Ended       time.Time `json:"ended,omitzero"`
}

// Jobs is one page of the list of jobs: those that wait or run in the order in which they will run, then the others, latest first.
type Jobs struct {
	Jobs []Job  `json:"jobs"`
	Next string `json:"next,omitempty" doc:"give it as after for the next page; empty: this is the last"`
}

// Value is one value of a point with its expanded uncertainty, k = 2, in the unit of its column; null where there is none.
type Value struct {
	V *float64 `json:"v"`
	U *float64 `json:"u,omitempty"`
}

// Point is one row of results.
type Point struct {
	N      int              `json:"n" doc:"from 1"`
	T      float64          `json:"t_s" doc:"since the start of the run"`
	Part   string           `json:"part,omitempty"`
	Values map[string]Value `json:"values" doc:"by the name of the column"`
	Status string           `json:"status" enum:"ok,not settled,invalid,overload"`
	Mode   string           `json:"mode,omitempty"`
	Why    string           `json:"why,omitempty"`
}

// Column is one quantity of the points.
type Column struct {
	Name string `json:"name"`
	Kind string `json:"kind" enum:"coordinate,measured,derived"`
	Unit string `json:"unit" doc:"coherent SI; 1 for ratios"`
	Expr string `json:"expr,omitempty"`
	Node string `json:"node,omitempty"`
	From string `json:"from,omitempty" doc:"instrument and channel"`
}

// Points is the points of a record, also of one that is still growing.
type Points struct {
	Columns  []Column `json:"columns"`
	Points   []Point  `json:"points"`
	Finished bool     `json:"finished"`
}

// Curve is a picture that the sequence asks for.
type Curve struct {
	X     string `json:"x"`
	Y     string `json:"y"`
	Per   string `json:"per,omitempty"`
	LogX  bool   `json:"log_x,omitempty"`
	LogY  bool   `json:"log_y,omitempty"`
	Title string `json:"title,omitempty"`
}

// Verdict is one comparison with a limit.
type Verdict struct {
	Point   int      `json:"point,omitempty" doc:"0: over all points"`
	Limit   string   `json:"limit"`
	Clause  string   `json:"clause,omitempty"`
	Outcome string   `json:"outcome" enum:"pass,fail,undecided,not judged"`
	Value   *float64 `json:"value"`
	U       *float64 `json:"u"`
	Bound   *float64 `json:"bound"`
	Unit    string   `json:"unit"`
	Why     string   `json:"why,omitempty"`
	Advice  string   `json:"advice,omitempty"`
}

// Result is a value worked out over all points.
type Result struct {
	Name string   `json:"name"`
	Expr string   `json:"expr,omitempty"`
	Unit string   `json:"unit"`
	V    *float64 `json:"v"`
	U    *float64 `json:"u"`
	Why  string   `json:"why,omitempty"`
}

// LedgerLine is a share of the time of a run.
type LedgerLine struct {
	Kind    string  `json:"kind"`
	Seconds float64 `json:"s"`
}

// TraceHead says what a recorded trace holds.
type TraceHead struct {
	Name     string    `json:"name"`
	Start    time.Time `json:"start"`
	Interval float64   `json:"interval_s"`
	Seconds  float64   `json:"seconds"`
	Trigger  float64   `json:"trigger_s" doc:"time zero of what was waited for, since the start"`
	Signals  []Signal  `json:"signals"`
	Finished bool      `json:"finished"`
}

// Signal is one quantity of a trace.
type Signal struct {
	Name string `json:"name"`
	Unit string `json:"unit"`
	Node string `json:"node,omitempty"`
}

// TraceBins is a span of one signal of a trace, summed up in bins that join.
type TraceBins struct {
	Trace  string     `json:"trace"`
	Signal Signal     `json:"signal"`
	From   float64    `json:"from_s"`
	To     float64    `json:"to_s"`
	T      []float64  `json:"t" doc:"begin of each bin, s since the start"`
	Min    []*float64 `json:"min"`
	Mean   []*float64 `json:"mean"`
	Max    []*float64 `json:"max"`
	Count  []int64    `json:"count" doc:"samples present"`
	Sum    *float64   `json:"integral" doc:"over the whole span, in the unit of the signal times seconds: exact"`
}

// Brief is one line of the history.
type Brief struct {
	ID        string    `json:"id" doc:"name of the record's folder; stable"`
	Manifest  string    `json:"manifest_id,omitempty" doc:"id in its manifest"`
	Job       string    `json:"job,omitempty"`
	Title     string    `json:"title"`
	Sequence  string    `json:"sequence,omitempty"`
	Bench     string    `json:"bench,omitempty"`
	Device    string    `json:"device,omitempty" doc:"serial number of the device under test"`
	Operator  string    `json:"operator,omitempty"`
	Settings  []string  `json:"settings,omitempty"`
	Serials   []string  `json:"serials,omitempty" doc:"of the instruments"`
	Filed     time.Time `json:"filed" doc:"when the run ended, by the clock of the computer"`
	Started   time.Time `json:"started" doc:"by the clock of the bench, which is a virtual one where it is simulated"`
	Duration  float64   `json:"duration_s"`
	Points    int       `json:"points"`
	Outcome   string    `json:"outcome" enum:"pass,fail,undecided,not judged"`
	Simulated bool      `json:"simulated,omitempty"`
	Finished  bool      `json:"finished"`
	Reason    string    `json:"reason,omitempty"`
}

// Records is one page of the history, latest first.
type Records struct {
	Records []Brief `json:"records"`
	Total   int     `json:"total" doc:"how many there are for this search, counted up to 10000"`
	Next    string  `json:"next,omitempty" doc:"give it as after for the next page; empty: this is the last"`
}

// Record is one record without its points.
type Record struct {
	Brief
	About       string       `json:"about,omitempty"`
	Tool        string       `json:"tool,omitempty"`
	Planned     int          `json:"planned,omitempty"`
	Columns     []Column     `json:"columns"`
	Curves      []Curve      `json:"curves"`
	Verdicts    []Verdict    `json:"verdicts"`
	Results     []Result     `json:"results"`
	Params      []Param      `json:"params"`
	Instruments []Identity   `json:"instruments"`
	Traces      []TraceHead  `json:"traces"`
	Ledger      []LedgerLine `json:"ledger,omitempty" doc:"where the time went, longest first; so far, of a run that goes on"`
	Reports     []string     `json:"reports" doc:"files to be had below report/"`
	Problems    []string     `json:"problems,omitempty" doc:"what is torn, damaged or missing"`
	Growing     bool         `json:"growing,omitempty" doc:"somebody still writes it"`
}

// Identity is an instrument as it answered.
type Identity struct {
	Name       string   `json:"name"`
	Maker      string   `json:"maker,omitempty"`
	Model      string   `json:"model,omitempty"`
	Serial     string   `json:"serial,omitempty"`
	Firmware   string   `json:"firmware,omitempty"`
	Calibrated string   `json:"calibrated,omitempty"`
	Roles      []string `json:"roles,omitempty"`
}

// Param is a parameter of a sequence.
type Param struct {
	Name   string   `json:"name"`
	About  string   `json:"about,omitempty"`
	Values []string `json:"values" doc:"with units"`
	Set    bool     `json:"set,omitempty" doc:"changed from the sequence's own value"`
}

// Sequence is a file of the sequences folder.
type Sequence struct {
	Name        string    `json:"name" doc:"give it as sequence in a submission"`
	Title       string    `json:"title,omitempty"`
	About       string    `json:"about,omitempty"`
	Params      []Param   `json:"params"`
	Needs       []Need    `json:"needs"`
	Planned     int       `json:"planned"`
	Predicted   float64   `json:"predicted_s"`
	Fit         string    `json:"fit" doc:"whether this bench serves it: fits, tight, does not fit; or wrong where the file is"`
	Instruments []string  `json:"instruments"`
	Findings    []Finding `json:"findings,omitempty"`
	Text        string    `json:"text,omitempty" doc:"the file itself, of a single one"`
}

// Need is one role that a sequence asks for.
type Need struct {
	Name  string `json:"name"`
	Role  string `json:"role"`
	Node  string `json:"node"`
	Volts string `json:"volts,omitempty"`
	Amps  string `json:"amps,omitempty"`
}

// Sequences lists the sequences folder.
type Sequences struct {
	Sequences []Sequence `json:"sequences"`
}

// Finding is something that is wrong in a file, with its place.
type Finding struct {
	File   string `json:"file,omitempty"`
	Line   int    `json:"line,omitempty"`
	Column int    `json:"column,omitempty"`
	Level  string `json:"level" enum:"error,warning"`
	Text   string `json:"text"`
	Hint   string `json:"hint,omitempty"`
}

// Health is what was last found out about an instrument while it was idle.
type Health struct {
	State     string    `json:"state" enum:"unknown,ok,warning,unreachable,wrong"`
	Checked   time.Time `json:"checked,omitzero"`
	Since     time.Time `json:"since,omitzero" doc:"when it was first found in this state"`
	Identity  string    `json:"identity,omitempty" doc:"as it answered last"`
	Error     string    `json:"error,omitempty" doc:"why it is not ok, or what its error queue held"`
	LastError string    `json:"last_error,omitempty" doc:"what its error queue held when it was not empty last; asking empties it"`
	LastAt    time.Time `json:"last_error_at,omitzero" doc:"when that was asked"`
}

// Output is what a role of the running job has on, as last told by its record.
type Output struct {
	Channel string    `json:"channel"`
	Role    string    `json:"role"`
	On      bool      `json:"on"`
	Text    string    `json:"text" doc:"as in 12 V, at most 2.5 A"`
	Since   time.Time `json:"since,omitzero"`
}

// Instrument is one instrument of the bench.
type Instrument struct {
	Name       string    `json:"name"`
	Model      string    `json:"model" doc:"of the bench file"`
	Address    string    `json:"address"`
	Wired      []string  `json:"wired" doc:"as in source at dut.in"`
	Channels   []Channel `json:"channels,omitempty"`
	Calibrated string    `json:"calibrated,omitempty"`
	Due        string    `json:"due,omitempty" doc:"date on which its calibration runs out, as its model states the interval"`
	Overdue    bool      `json:"overdue,omitempty"`
	DueSoon    bool      `json:"due_soon,omitempty" doc:"its calibration runs out within 30 days"`
	Health     Health    `json:"health"`
	Job        string    `json:"job,omitempty" doc:"the job that has it"`
	Outputs    []Output  `json:"outputs,omitempty"`
}

// Bench is the bench at a glance.
type Bench struct {
	Name        string       `json:"name"`
	Title       string       `json:"title,omitempty"`
	Simulated   bool         `json:"simulated,omitempty"`
	Armed       bool         `json:"armed" doc:"jobs may energise it"`
	ArmedBy     string       `json:"armed_by,omitempty"`
	ArmedUntil  time.Time    `json:"armed_until,omitzero"`
	Held        string       `json:"held,omitempty" doc:"why no job starts; empty: they do"`
	Outputs     string       `json:"outputs" enum:"off,on,not verified" doc:"off: nothing runs, and the last run ended with everything verified off; at a hub: of all benches of the lab"`
	LastOff     *OffReport   `json:"last_off,omitempty"`
	Instruments []Instrument `json:"instruments"`
	Queue       Queue        `json:"queue"`
	Version     string       `json:"version"`
}

// Queue counts jobs.
type Queue struct {
	Scheduled int `json:"scheduled"`
	Queued    int `json:"queued"`
	Running   int `json:"running"`
}

// Off says that an instrument was switched off, or not.
type Off struct {
	Instrument string  `json:"instrument"`
	Off        bool    `json:"off"`
	Seconds    float64 `json:"s" doc:"from the request until it was verified"`
	Problem    string  `json:"problem,omitempty"`
}

// NodeLeft is what stands at a node afterwards.
type NodeLeft struct {
	Node       string   `json:"node"`
	Volts      *float64 `json:"volts"`
	Discharged bool     `json:"discharged"`
	Text       string   `json:"text"`
}

// OffReport is what was done to switch the bench off.
type OffReport struct {
	At      time.Time  `json:"at"`
	By      string     `json:"by"`
	Safe    bool       `json:"safe" doc:"everything is verified to be off"`
	Text    string     `json:"text"`
	Seconds float64    `json:"s"`
	Stopped []string   `json:"stopped" doc:"jobs that were stopped"`
	Off     []Off      `json:"off"`
	Nodes   []NodeLeft `json:"nodes"`
}

// Arming arms or disarms the bench.
type Arming struct {
	Armed bool   `json:"armed"`
	For   string `json:"for,omitempty" doc:"as in 8 h; empty: until the daemon ends, outputs are switched off, or it is disarmed"`
}

// Comparing asks for a comparison of records, paired by their coordinates.
type Comparing struct {
	Records []string `json:"records" doc:"two or more; the first is what the others are held against"`
	Columns []string `json:"columns,omitempty" doc:"empty: all measured and derived ones"`
}

// Pair is one quantity at one point of two records.
type Pair struct {
	At         map[string]float64 `json:"at" doc:"coordinates"`
	Part       string             `json:"part,omitempty"`
	A          Value              `json:"a"`
	B          Value              `json:"b"`
	Difference Value              `json:"difference" doc:"b - a; what both share has dropped out of its uncertainty"`
	Judgement  string             `json:"judgement" enum:"higher,lower,no difference,unknown"`
}

// Compared is one column of two records.
type Compared struct {
	Record         string `json:"record" doc:"what is held against the first"`
	Column         Column `json:"column"`
	Better         string `json:"better,omitempty" enum:"higher,lower" doc:"which way is better, as the limits of the sequence say; empty: they do not"`
	Pairs          []Pair `json:"pairs"`
	Higher         int    `json:"higher"`
	Lower          int    `json:"lower"`
	Same           int    `json:"no_difference"`
	Judgement      string `json:"judgement" enum:"better,worse,higher,lower,mixed,no difference,unknown"`
	Shared         string `json:"shared,omitempty" doc:"which inputs dropped out"`
	Unpaired       int    `json:"unpaired" doc:"points of either that have no partner"`
	MeanDifference Value  `json:"mean_difference" doc:"over all pairs; what the points share is counted once"`
}

// Comparison is what came of it.
type Comparison struct {
	Records  []Brief    `json:"records"`
	Compared []Compared `json:"compared"`
	Notes    []string   `json:"notes,omitempty"`
}

// Event is what the stream of events carries. Its kind is the name of the server-sent event.
type Event struct {
	ID    string     `json:"id" doc:"give the last one as Last-Event-ID to go on behind it"`
	Time  time.Time  `json:"time"`
	Kind  string     `json:"kind" enum:"job,point,log,bench,off,reset" doc:"reset: events were missed; load everything anew"`
	Job   string     `json:"job,omitempty"`
	State *Job       `json:"state,omitempty" doc:"of kind job"`
	Point *Point     `json:"point,omitempty" doc:"of kind point"`
	Level string     `json:"level,omitempty" doc:"of kind log"`
	Text  string     `json:"text,omitempty" doc:"of kind log"`
	Bench *Bench     `json:"bench,omitempty" doc:"of kind bench"`
	Off   *OffReport `json:"off,omitempty" doc:"of kind off"`
}

// Alive says that the daemon works.
type Alive struct {
	OK      bool    `json:"ok"`
	Version string  `json:"version"`
	Uptime  float64 `json:"uptime_s"`
	Access  string  `json:"access" enum:"open,token" doc:"open: everybody on this computer may do everything"`
}

// Session is who is asking.
type Session struct {
	Name string `json:"name"`
	Role string `json:"role" enum:"viewer,operator,admin"`
}

// Problem is the answer to a request that was not carried out, as RFC 9457 has it.
type Problem struct {
	Type     string    `json:"type" doc:"about:blank"`
	Title    string    `json:"title"`
	Status   int       `json:"status"`
	Detail   string    `json:"detail,omitempty"`
	Hint     string    `json:"hint,omitempty"`
	Findings []Finding `json:"findings,omitempty"`
}
