package html_test

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	cdplog "github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"fourwire/internal/clock"
	"fourwire/quantity"
	"fourwire/record/trace"
	"fourwire/report"
	page "fourwire/report/html"
	"fourwire/report/reporttest"
)

// visit is a page of a record with a trace, open in a browser.
type visit struct {
	t     *testing.T
	ctx   context.Context
	trace *trace.Trace

	mu      sync.Mutex // guards what events write, on a goroutine of their own
	trouble []string
	fetched []string
}

func visitTrace(t *testing.T, o reporttest.Drain, form report.Form, width int64, scheme string) *visit {
	t.Helper()
	return visitAfter(t, o, form, width, scheme, "", func(string) {})
}

// visitAfter visits a page with a script that runs before the page's own, and after something was done to the record.
func visitAfter(t *testing.T, o reporttest.Drain, form report.Form, width int64, scheme, script string, prepare func(dir string)) *visit {
	t.Helper()
	v := &visit{t: t, ctx: browser(t)}
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.WriteDrain(dir, o); err != nil {
		t.Fatal(err)
	}
	if err := report.Build(dir, form); err != nil {
		t.Fatal(err)
	}
	prepare(dir)
	var err error
	if v.trace, err = trace.Open(filepath.Join(dir, "traces"), "day"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { v.trace.Close() })
	address := "file://" + filepath.ToSlash(dir) + "/report.html"
	beside := "file://" + filepath.ToSlash(dir) + "/report/day/"
	for _, err := range []error{
		call(v.ctx, network.Enable, network.EnableParams{}), call(v.ctx, cdplog.Enable, cdp.Empty{}), call(v.ctx, runtime.Enable, cdp.Empty{}),
		chromedp.Listen(v.ctx, func(event any) {
			v.mu.Lock()
			defer v.mu.Unlock()
			if e, ok := event.(*network.EventRequestWillBeSent); ok && strings.HasPrefix(e.Request.URL, beside) {
				v.fetched = append(v.fetched, strings.TrimPrefix(e.Request.URL, beside))
				return
			}
			v.trouble = append(v.trouble, complaint(event, address)...)
		}),
		call(v.ctx, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: 900, DeviceScaleFactor: 1, Mobile: width < 500}),
		call(v.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}}),
		call(v.ctx, cdppage.AddScriptToEvaluateOnNewDocument, cdppage.AddScriptToEvaluateOnNewDocumentParams{Source: script}),
		chromedp.Do(v.ctx, chromedp.Navigate(address)),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	v.run(`document.querySelector(".stage").scrollIntoView({block: "center"})`)
	return v
}

func (v *visit) run(script string)        { evaluate[chromedp.Void](v.t, v.ctx, script) }
func (v *visit) ask(script string) string { return evaluate[string](v.t, v.ctx, script) }

// settled waits until everything that was asked for is there and drawn.
func (v *visit) settled() {
	v.t.Helper()
	c := clock.Real()
	v.run(`window.frames2 = 0, requestAnimationFrame(() => requestAnimationFrame(() => window.frames2 = 1)), undefined`)
	for range 400 {
		switch v.ask(`window.frames2 ? document.querySelector(".viewer").dataset.waiting || "" : ""`) {
		case "0":
			return
		case "1":
			v.run(`window.frames2 = 0, requestAnimationFrame(() => requestAnimationFrame(() => window.frames2 = 1)), undefined`)
		}
		c.Sleep(v.ctx, 5*time.Millisecond)
	}
	v.t.Fatal("the viewer waits for something that does not come")
}

func (v *visit) keys(keys string) {
	v.t.Helper()
	if err := chromedp.Do(v.ctx, chromedp.KeyEvent(keys)); err != nil {
		v.t.Fatal(err)
	}
	v.settled()
}

func (v *visit) wheel(times int, by float64, where float64) {
	v.t.Helper()
	spot := evaluate[struct{ X, Y, W float64 }](v.t, v.ctx, `(r => ({X: r.x, Y: r.y + 120, W: r.width}))(document.querySelector(".stage").getBoundingClientRect())`)
	for range times {
		if err := call(v.ctx, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: input.DispatchMouseEventTypeMouseWheel, X: spot.X + where*spot.W, Y: spot.Y, DeltaX: 0.001, DeltaY: by}); err != nil {
			v.t.Fatal(err)
		}
		v.settled()
	}
}

// view is what is shown: samples from, to, and how many a bin stands for.
func (v *visit) view() (from, to, samples float64) {
	v.t.Helper()
	d := evaluate[[]string](v.t, v.ctx, `(d => [d.from, d.to, d.samples])(document.querySelector(".viewer").dataset)`)
	var x [3]float64
	for i, text := range d {
		x[i], _ = strconv.ParseFloat(text, 64)
	}
	return x[0], x[1], x[2]
}

// cursors are where they stand, in samples, the lower first.
func (v *visit) cursors() (from, to int64) {
	v.t.Helper()
	at := evaluate[[]string](v.t, v.ctx, `[...document.querySelectorAll(".handle")].map(h => h.getAttribute("aria-valuenow"))`)
	a, _ := strconv.ParseInt(at[0], 10, 64)
	b, _ := strconv.ParseInt(at[1], 10, 64)
	return min(a, b), max(a, b)
}

func (v *visit) told(what string) string {
	return v.ask(`document.querySelector('.readout [data-value="` + what + `"]').textContent`)
}

// betweenCursors holds what the page says of the span between the cursors against the sum over every sample of the trace.
func (v *visit) betweenCursors(when string) {
	v.t.Helper()
	from, to := v.cursors()
	i, err := v.trace.Span(0, from, to)
	if err != nil {
		v.t.Fatal(err)
	}
	charge, energy, mean := 0.0, 0.0, 0.0 // added sample by sample
	for s, err := range v.trace.Blocks(nil, from, to) {
		if err != nil {
			v.t.Fatal(err)
		}
		for k, x := range s.Values[0] {
			charge += float64(x) * 0.001
			energy += float64(x) * float64(s.Values[1][k]) * 0.001
		}
	}
	mean = charge / 0.001 / float64(i.Count)
	if math.Abs(charge-i.Integral) > 1e-7*math.Abs(charge) {
		v.t.Errorf("%s: the trace gives %v, its samples %v", when, i.Integral, charge)
	}
	for _, c := range []struct {
		what string
		x    float64
		dim  quantity.Dimension
	}{{"charge", i.Integral, quantity.Charge}, {"mean", i.Mean, quantity.Current}, {"energy", energy, quantity.Energy}, {"mean", mean, quantity.Current}} {
		want := report.Pretty(quantity.Of(c.x, c.dim).Text(6))
		if got := v.told(c.what); got != want && !nearly(got, c.x, c.dim) {
			v.t.Errorf("%s, %d to %d: %s is %q, the trace has %s", when, from, to, c.what, got, want)
		} else if c.x == i.Integral && got != want {
			v.t.Errorf("%s, %d to %d: charge is %q, the trace has %s", when, from, to, got, want)
		}
	}
	told := strings.ReplaceAll(v.told("samples"), "\u202f", "")
	if want := strconv.FormatInt(i.Count, 10); told != want && told != fmt.Sprintf("%s, %d missing", want, to-from-i.Count) {
		v.t.Errorf("%s, %d to %d: samples are %q, the trace has %s", when, from, to, told, want)
	}
	v.t.Logf("%s: %d to %d, %s, %s, %s", when, from, to, v.told("charge"), v.told("mean"), v.told("energy"))
}

// nearly allows the last of six digits to differ by one: energies are sums of 64-bit floats.
func nearly(text string, x float64, dim quantity.Dimension) bool {
	q, err := quantity.ParseAs(strings.ReplaceAll(text, "µ", "u"), dim)
	return err == nil && math.Abs(q.SI-x) <= 1e-6*math.Abs(x)
}

func (v *visit) picture(name string) {
	v.t.Helper()
	dir := os.Getenv("FOURWIRE_PICTURES")
	if dir == "" {
		return
	}
	data, err := chromedp.Run(v.ctx, chromedp.CaptureScreenshot())
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, name+".png"), data, 0o666)
	}
	if err != nil {
		v.t.Fatal(err)
	}
}

func (v *visit) end() {
	v.t.Helper()
	if wide := v.ask(`document.documentElement.scrollWidth > innerWidth ? "the page is " + document.documentElement.scrollWidth + " wide" : ""`); wide != "" {
		v.t.Error(wide)
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	for _, x := range v.trouble {
		v.t.Error(x)
	}
}

func TestTraceInABrowser(t *testing.T) {
	for _, c := range []struct {
		width  int64
		scheme string
	}{{1280, "light"}, {390, "dark"}} {
		t.Run(fmt.Sprintf("%d %s", c.width, c.scheme), func(t *testing.T) {
			v := visitTrace(t, reporttest.Drain{Seconds: 300, Gap: true}, page.Form(), c.width, c.scheme)
			name := fmt.Sprintf("%d-%s", c.width, c.scheme)
			v.settled()
			v.picture(name + "-whole")
			v.betweenCursors("the whole trace")
			if len(v.fetched) > 3 {
				t.Errorf("to show the whole the page fetched %v", v.fetched)
			}

			// the wheel does nothing to a viewer that nobody has clicked: a reader scrolls past it
			v.wheel(1, -240, 0.5)
			if from, to, _ := v.view(); from != 0 || to != 300000 {
				t.Errorf("the wheel of a passing reader changed the view to %v..%v", from, to)
			}
			v.run(`document.querySelector(".stage").focus()`)
			v.wheel(12, -240, 0.5)
			from, to, samples := v.view()
			if samples != 1 || to-from > 30 {
				t.Errorf("after 12 turns of the wheel %v..%v is shown in bins of %v samples", from, to, samples)
			}
			v.picture(name + "-samples")
			v.keys("a" + kb.ArrowRight + kb.ArrowRight + "b")
			v.betweenCursors("cursors by keys, samples apart")
			v.keys(kb.Home)
			if from, to, _ := v.view(); from != 0 || to != 300000 {
				t.Errorf("Home shows %v..%v", from, to)
			}
			v.keys("n" + "n")
			v.picture(name + "-event")
			v.betweenCursors("the second event")
			if a, b := v.cursors(); b-a != 111 {
				t.Errorf("the second event is %d samples long, it was made of 111", b-a)
			}
			v.run(`document.querySelector(".handle.cursor-b").focus()`)
			v.keys(kb.ArrowRight + kb.ArrowRight + kb.ArrowRight)
			v.betweenCursors("cursor B moved by keys")
			v.run(`document.querySelector(".stage").focus()`)
			v.keys(kb.Home)
			v.keys("=" + "=" + kb.ArrowRight + "b")
			v.keys(kb.ArrowLeft + kb.ArrowLeft + kb.ArrowLeft + "a" + kb.ArrowRight + "l")
			v.picture(name + "-gap")
			v.betweenCursors("across the gap")
			v.keys(kb.Home + "======" + kb.ArrowRight + "b")
			if _, to := v.cursors(); to <= 150000 || to >= 160000 {
				t.Errorf("cursor B is at %d, it was to be inside the gap", to)
			}
			v.betweenCursors("into the gap")
			if text := v.told("samples"); !strings.Contains(text, "missing") {
				t.Errorf("samples between the cursors: %q, some are missing", text)
			}
			if len(v.fetched) == 0 {
				t.Error("nothing was fetched: single samples cannot be in the page")
			}
			v.end()
		})
	}
}

// Where the budget does not hold all samples, the page keeps those around events and says so where it does not.
func TestTraceBeyondTheBudget(t *testing.T) {
	v := visitTrace(t, reporttest.Drain{Seconds: 600}, page.Options{TileBytes: 300_000}.Form(), 1280, "light")
	v.settled()
	v.run(`document.querySelector(".stage").focus()`)
	v.keys("n")
	if _, _, samples := v.view(); samples != 1 {
		t.Errorf("an event is shown in bins of %v samples", samples)
	}
	v.betweenCursors("an event")
	v.keys(kb.Home)
	v.wheel(14, -240, 0.6)
	note := v.ask(`document.querySelector(".depth").textContent`)
	if _, _, samples := v.view(); samples == 1 || !strings.Contains(note, "Beyond this depth: fourwire zoom RECORD day") {
		t.Errorf("bins of %v samples, and the note %q", samples, note)
	}
	v.keys("-------" + "a" + kb.ArrowRight + kb.ArrowRight + "b")
	v.picture("beyond")
	v.betweenCursors("cursors where no samples are kept")
	v.end()
}

// A reader drags with the mouse, and spreads two fingers on a telephone.
func TestTraceByHand(t *testing.T) {
	v := visitTrace(t, reporttest.Drain{Seconds: 300}, page.Form(), 390, "light")
	v.settled()
	v.run(`document.querySelector(".stage").focus()`)
	v.keys("====")
	spot := evaluate[struct{ X, Y, W float64 }](t, v.ctx, `(r => ({X: r.x, Y: r.y + 150, W: r.width}))(document.querySelector(".stage canvas").getBoundingClientRect())`)
	from, to, _ := v.view()
	middle := spot.X + spot.W/2
	for _, e := range []input.DispatchMouseEventParams{
		{Type: input.DispatchMouseEventTypeMousePressed, X: middle, Y: spot.Y, Button: input.MouseButtonLeft, Buttons: 1, ClickCount: 1},
		{Type: input.DispatchMouseEventTypeMouseMoved, X: middle + 40, Y: spot.Y, Button: input.MouseButtonLeft, Buttons: 1},
		{Type: input.DispatchMouseEventTypeMouseReleased, X: middle + 40, Y: spot.Y, Button: input.MouseButtonLeft, ClickCount: 1},
	} {
		if err := call(v.ctx, input.DispatchMouseEvent, e); err != nil {
			t.Fatal(err)
		}
	}
	v.settled()
	after, end, _ := v.view()
	if moved := (from - after) / (to - from); moved < 0.1 || moved > 0.16 || math.Abs((end-after)-(to-from)) > 1e-6*(to-from) {
		t.Errorf("dragging by 40 pixels went from %v..%v to %v..%v", from, to, after, end)
	}
	touch := func(kind input.DispatchTouchEventType, apart float64) {
		t.Helper()
		points := []*input.TouchPoint{}
		if apart > 0 {
			first, second := 1.0, 2.0
			points = []*input.TouchPoint{{X: middle - apart, Y: spot.Y, ID: &first}, {X: middle + apart, Y: spot.Y, ID: &second}}
		}
		if err := call(v.ctx, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points}); err != nil {
			t.Fatal(err)
		}
	}
	touch(input.DispatchTouchEventTypeTouchStart, 30)
	for apart := 35.0; apart <= 90; apart += 5 {
		touch(input.DispatchTouchEventTypeTouchMove, apart)
	}
	touch(input.DispatchTouchEventTypeTouchEnd, 0)
	v.settled()
	pinched, pinchedTo, _ := v.view()
	if ratio := (end - after) / (pinchedTo - pinched); ratio < 2 || ratio > 4 {
		t.Errorf("two fingers spread to three times their distance zoomed by %v, from %v..%v to %v..%v", ratio, after, end, pinched, pinchedTo)
	}
	v.end()
}

// Without the folder beside it, or in a browser that cannot unpack, the page still shows the whole and says what is missing.
func TestTraceWithoutItsFiles(t *testing.T) {
	for _, c := range []struct {
		name, script, want string
		prepare            func(dir string)
	}{
		{"the folder was left behind", "", `keep the folder "report" beside this page`, func(dir string) {
			if err := os.RemoveAll(filepath.Join(dir, "report")); err != nil {
				t.Fatal(err)
			}
		}},
		{"an old browser", "delete window.DecompressionStream", "too old to unpack", func(string) {}},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := visitAfter(t, reporttest.Drain{Seconds: 300}, page.Form(), 1280, "light", c.script, c.prepare)
			v.settled()
			v.betweenCursors("the whole trace")
			v.run(`document.querySelector(".stage").focus()`)
			v.keys("======")
			if note := v.ask(`document.querySelector(".depth").textContent`); !strings.Contains(note, c.want) {
				t.Errorf("the viewer says %q", note)
			}
		})
	}
}
