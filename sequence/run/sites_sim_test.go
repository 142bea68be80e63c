package run_test

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/driver/turns"
	"fourwire/internal/clock"
	"fourwire/internal/diag"
	"fourwire/internal/ledger"
	"fourwire/quantity/measured"
	"fourwire/sequence"
	"fourwire/sequence/plan"
	"fourwire/sequence/run"
	"fourwire/sim"
	"fourwire/transport"
)

// fixture is the simulated fixture of the examples with sites: one device each, in process.
type fixture struct {
	t      testing.TB
	sim    *sim.Bench
	bench  *bench.Bench
	models map[string]*model.Model
	seq    *sequence.Sequence

	mu   sync.Mutex
	said []spokenTo // by shared instruments, in order
	pool *turns.Pool

	// each may change a run before it begins; run sees its events
	each func(site string, c *run.Config)
}

// spokenTo is one message with whoever said it, and in which section.
type spokenTo struct {
	at         time.Time
	instrument string
	site       string
	section    int64
	sent       bool
	text       string
}

// siteRun is how the run of a site came out.
type siteRun struct {
	kept    *kept
	summary run.Summary
	err     error
	spans   *ledger.Ledger
	events  []run.Event
	plan    *plan.Plan
	ended   time.Duration
}

func newFixture(t testing.TB, sequenceText string, edit ...string) *fixture {
	t.Helper()
	read := func(name string) string {
		data, err := os.ReadFile(filepath.Join("../../examples/sites", name))
		if err != nil {
			t.Fatal(err)
		}
		return strings.NewReplacer(edit...).Replace(string(data))
	}
	if sequenceText == "" {
		sequenceText = read("end-of-line.yaml")
	}
	var found diag.Findings
	f := &fixture{t: t, models: map[string]*model.Model{}}
	f.seq = sequence.Read("end-of-line.yaml", []byte(sequenceText), nil, &found)
	f.bench = bench.Read("bench.yaml", []byte(read("bench.yaml")), &found)
	scene := sim.Read("sites.scenario.yaml", []byte(read("sites.scenario.yaml")), &found)
	if found.Failed() {
		t.Fatalf("%v", found.List())
	}
	for _, in := range f.bench.Instruments {
		data, _ := model.FromLibrary(in.Model)
		f.models[in.Name] = model.Read(in.Model, data, &found)
	}
	bench.CheckModels(f.bench, f.models, &found)
	if found.Failed() {
		t.Fatalf("%v", found.List())
	}
	var err error
	if f.sim, err = sim.New(scene, sim.Options{}); err != nil {
		t.Fatal(err)
	}
	return f
}

// run runs the sequence at some sites at the same time, as the command does.
func (f *fixture) run(ctx context.Context, sites ...string) (map[string]*siteRun, time.Duration) {
	f.t.Helper()
	c := f.sim.Clock()
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	f.pool = turns.NewPool(c, func(name string, err error) { stop(fmt.Errorf("shared instrument %s: %w", name, err)) })
	runs := map[string]*siteRun{}
	var found diag.Findings
	for _, site := range sites {
		view := f.bench.ForSite(site, sites, &found)
		p := plan.Bind(f.seq, view, f.models, &found)
		if found.Failed() {
			f.t.Fatalf("%s: %v", site, found.List())
		}
		runs[site] = &siteRun{plan: p, kept: &kept{}}
	}
	shared := runs[sites[0]].plan.Bench.View.Shared
	opened := map[string]*driver.Instrument{}
	for _, in := range f.bench.Instruments {
		link, err := f.sim.Link(in.Name)
		if err != nil {
			f.t.Fatal(err)
		}
		link = transport.WithTap(link, c, c.Now(), func(at time.Time, _ time.Duration, way byte, message []byte) {
			site, section := f.pool.Speaker(in.Name)
			f.mu.Lock()
			defer f.mu.Unlock()
			f.said = append(f.said, spokenTo{at, in.Name, site, section, way == transport.TapSent, string(message)})
		})
		isShared := strings.Contains(fmt.Sprint(shared), in.Name)
		if isShared {
			link = f.pool.Link(in.Name, link)
		}
		one, err := driver.Open(context.Background(), driver.Config{Name: in.Name, Address: in.Address, Model: f.models[in.Name], Link: link, Clock: c, AmbientKelvin: f.bench.AmbientKelvin})
		if err != nil {
			f.t.Fatal(err)
		}
		f.t.Cleanup(func() { one.Close() })
		opened[in.Name] = one
		if isShared {
			f.pool.Add(in.Name, one)
		}
	}
	begun := c.Now()
	f.pool.Begin()
	var courses []func(context.Context)
	for _, site := range sites {
		r := runs[site]
		r.spans = ledger.New(c)
		inputs := &measured.Ledger{}
		config := run.Config{Plan: r.plan, Instruments: map[string]run.Instrument{}, Clock: c, Ledger: inputs, Sink: r.kept, Spans: r.spans,
			Observe: func(e run.Event) { r.events = append(r.events, e) }}
		if len(sites) > 1 {
			config.Share = f.pool.Join(site, r.spans, inputs)
		}
		for _, in := range r.plan.Bench.Instruments {
			if r.plan.Uses(in.Name) {
				config.Instruments[in.Name] = run.Opened(opened[in.Name])
				if config.Share == nil || !config.Share.Shares(in.Name) {
					opened[in.Name].Lend(r.spans, inputs)
				}
			}
		}
		if f.each != nil {
			f.each(site, &config)
		}
		courses = append(courses, func(ctx context.Context) {
			r.summary, r.err = run.Run(ctx, config)
			if config.Share != nil {
				config.Share.Leave()
			}
			r.ended = c.Since(begun)
		})
	}
	clock.Together(ctx, c, courses...)
	f.pool.End()
	return runs, c.Since(begun)
}

func (r *siteRun) fine(t testing.TB, site string) {
	t.Helper()
	if r.err != nil {
		t.Fatalf("%s: %v\n%s", site, r.err, r.log())
	}
}

func (r *siteRun) log() string {
	var b strings.Builder
	for _, e := range r.events {
		fmt.Fprintf(&b, "%v %s %s: %s\n", e.At, e.Level, e.Kind, e.Text)
	}
	return b.String()
}

// Two sites at once take at most 0.6 of the time of one after the other, their results are those of each site alone within U, and nobody speaks to an
// instrument that another has.
func TestTwoSitesAtOnce(t *testing.T) {
	series := time.Duration(0)
	alone := map[string]*siteRun{}
	for _, site := range []string{"east", "west"} {
		f := newFixture(t, "")
		runs, took := f.run(t.Context(), site)
		runs[site].fine(t, site)
		alone[site], series = runs[site], series+took
	}
	f := newFixture(t, "")
	both, took := f.run(t.Context(), "east", "west")
	for site, r := range both {
		r.fine(t, site)
		same(t, site, alone[site], r)
		if !slices.Equal(alone[site].plan.Columns, r.plan.Columns) {
			t.Errorf("%s: other columns alone, %+v, than at once, %+v", site, alone[site].plan.Columns, r.plan.Columns)
		}
		use := 0.0
		for _, s := range r.spans.Spans() {
			if s.Kind == ledger.InUse {
				use += s.Seconds
			}
		}
		t.Logf("%s: %d points in %v, of which %.3f s for instruments in use by the other", site, r.summary.Points, r.ended, use)
		if use == 0 {
			t.Errorf("%s has waited for nothing", site)
		}
	}
	ratio := took.Seconds() / series.Seconds()
	t.Logf("in series %v, at once %v: ratio %.3f", series, took, ratio)
	if ratio > 0.6 {
		t.Errorf("at once takes %.3f of the time in series, at most 0.6 is wanted", ratio)
	}
	f.apart(t)
}

// same compares the points of two runs of a site: alike within both uncertainties, since noise differs.
func same(t *testing.T, site string, a, b *siteRun) {
	t.Helper()
	if len(a.kept.points) != len(b.kept.points) || len(a.kept.points) == 0 {
		t.Fatalf("%s: %d points alone, %d at once", site, len(a.kept.points), len(b.kept.points))
	}
	for i, p := range a.kept.points {
		q := b.kept.points[i]
		if !q.Valid || !q.Settled {
			t.Errorf("%s: point %d: %s", site, q.Number, q.Why)
		}
		for name, c := range p.Cells {
			d := q.Cells[name]
			if math.IsNaN(c.U) {
				if c.SI != d.SI {
					t.Errorf("%s: point %d is at another %s", site, p.Number, name)
				}
				continue
			}
			if off := math.Abs(c.SI - d.SI); !(off <= c.U+d.U) {
				t.Errorf("%s: point %d: %s is %g alone and %g at once, U %g and %g", site, p.Number, name, c.SI, d.SI, c.U, d.U)
			}
		}
	}
	if a.summary.Outcome != b.summary.Outcome || a.summary.Verdicts != b.summary.Verdicts {
		t.Errorf("%s: %v %+v alone, %v %+v at once", site, a.summary.Outcome, a.summary.Verdicts, b.summary.Outcome, b.summary.Verdicts)
	}
}

// apart looks at everything that was said to shared instruments: who speaks holds the instrument, a section that another one has followed never
// goes on, an answer goes to whoever asked, and the meter is joined to one node at a time.
func (f *fixture) apart(t *testing.T) {
	t.Helper()
	last, asked := map[string]spokenTo{}, map[string]spokenTo{}
	over := map[string]map[int64]bool{}
	closed := map[string]bool{}
	sections, changes := 0, 0
	for _, m := range f.said {
		if !f.pool.Shares(m.instrument) || m.section == 0 && m.site == "" && len(last) == 0 {
			continue // before the runs began
		}
		if m.site == "" {
			t.Fatalf("%s heard %q from nobody who had it", m.instrument, m.text)
		}
		if was, ok := last[m.instrument]; !ok || was.section != m.section {
			if over[m.instrument] == nil {
				over[m.instrument] = map[int64]bool{}
			}
			over[m.instrument][was.section] = true
			sections++
			if over[m.instrument][m.section] {
				t.Errorf("%s: section %d of %s goes on although another had begun: %q", m.instrument, m.section, m.site, m.text)
			}
			if was.site != m.site {
				changes++
			}
		}
		last[m.instrument] = m
		switch {
		case m.sent && strings.Contains(m.text, "?"):
			if q, open := asked[m.instrument]; open && q.site != m.site {
				t.Errorf("%s: %s asks %q while %s awaits the answer to %q", m.instrument, m.site, m.text, q.site, q.text)
			}
			asked[m.instrument] = m
		case !m.sent:
			if q := asked[m.instrument]; q.site != m.site || q.section != m.section {
				t.Errorf("%s: the answer to %q of %s went to %s", m.instrument, q.text, q.site, m.site)
			}
			delete(asked, m.instrument)
		}
		if m.instrument == "mux" && m.sent {
			for _, relay := range []string{"1", "2"} {
				if strings.Contains(m.text, ":ROUT:CLOS (@"+relay+")") {
					closed[relay] = true
				}
				if strings.Contains(m.text, ":ROUT:OPEN (@"+relay+")") || strings.Contains(m.text, "*RST") {
					delete(closed, relay)
				}
			}
			if len(closed) > 1 {
				t.Errorf("%v: both relays closed by %s: %q", m.at, m.site, m.text)
			}
		}
	}
	t.Logf("%d sections of shared instruments, %d of them after the other site", sections, changes)
	if changes < 20 {
		t.Errorf("the sites took turns %d times only: this shows nothing", changes)
	}
}

// The same runs give the same calls, in the same order, at the same simulated times.
func TestSitesComeOutTheSameEveryTime(t *testing.T) {
	text := ""
	for n := range 2 {
		f := newFixture(t, "", "default: [9 V, 14 V]", "default: [9 V]")
		f.run(t.Context(), "east", "west")
		var b strings.Builder
		for _, m := range f.said {
			fmt.Fprintf(&b, "%v %s %s %d %v %s\n", m.at, m.instrument, m.site, m.section, m.sent, m.text)
		}
		if n == 0 {
			text = b.String()
		} else if text != b.String() {
			t.Error("the second run differs from the first")
		}
	}
}
