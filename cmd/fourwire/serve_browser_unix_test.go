//go:build unix

package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/accessibility"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	cdplog "github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"fourwire/quantity"
	"fourwire/report"
)

// browserPage is the page of a daemon in a browser.
type browserPage struct {
	t   *testing.T
	ctx context.Context

	mu      sync.Mutex // guards what events write, on a goroutine of their own
	trouble []string
}

func openBrowser(t *testing.T) *browserPage {
	t.Helper()
	if testing.Short() {
		t.Skip("not in short tests")
	}
	at := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if found, err := exec.LookPath(name); err == nil {
			at = found
			break
		}
	}
	if at == "" {
		t.Skip("chromium is not installed")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(at), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.WSURLReadTimeout(time.Minute))
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	ctx, cancel = context.WithTimeout(ctx, 3*time.Minute)
	t.Cleanup(cancel)
	b := &browserPage{t: t, ctx: ctx}
	order(b, network.Enable, network.EnableParams{})
	order(b, cdplog.Enable, cdp.Empty{})
	order(b, runtime.Enable, cdp.Empty{})
	if err := chromedp.Listen(ctx, b.hear); err != nil {
		t.Fatal(err)
	}
	return b
}

// hear notes what a page must not do: scripts that fail, messages on the console, anything that its content security policy forbids.
func (b *browserPage) hear(event any) {
	text := ""
	switch e := event.(type) {
	case *runtime.EventExceptionThrown:
		text = "exception: " + e.ExceptionDetails.Text
		if x := e.ExceptionDetails.Exception; x != nil {
			text += " " + x.Description
		}
	case *runtime.EventConsoleAPICalled:
		text = fmt.Sprint("console: ", e.Type)
	case *cdplog.EventEntryAdded:
		text = "log: " + e.Entry.Text + " " + e.Entry.URL
	}
	if text != "" {
		b.mu.Lock()
		b.trouble = append(b.trouble, text)
		b.mu.Unlock()
	}
}

func (b *browserPage) mustBeCalm() {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, text := range b.trouble {
		b.t.Error(text)
	}
	b.trouble = nil
}

func order[P, R any](b *browserPage, c cdp.Command[P, R], params P) R {
	b.t.Helper()
	r, err := chromedp.Call(b.ctx, c, params)
	if err != nil {
		b.t.Fatal(err)
	}
	return r
}

func evaluate[T any](b *browserPage, script string) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](script, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatalf("%s: %v", script, err)
	}
	return v
}

func (b *browserPage) ask(script string) string { b.t.Helper(); return evaluate[string](b, script) }
func (b *browserPage) do(script string) {
	b.t.Helper()
	evaluate[bool](b, "(() => {"+script+"; return true})()")
}

// until waits for something to be so.
func (b *browserPage) until(script string) {
	b.t.Helper()
	for range 400 {
		if evaluate[bool](b, "!!("+script+")") {
			return
		}
		pause(b.t, 50*time.Millisecond)
	}
	b.t.Fatalf("it does not come to this: %s\n%s", script, b.ask(`location.href + "\n" + document.body.innerText`))
}

func (b *browserPage) open(url string) {
	b.t.Helper()
	for _, at := range []string{"about:blank", url} { // or a change behind the # alone would not load the page anew
		if err := chromedp.Do(b.ctx, chromedp.Navigate(at)); err != nil {
			b.t.Fatal(err)
		}
	}
	b.until(`document.getElementById("off")`)
}

// turn goes to another view of the page that is open.
func (b *browserPage) turn(view string) {
	b.t.Helper()
	b.do(fmt.Sprintf("location.hash = %q", view))
	b.until(fmt.Sprintf(`(v => v && v.dataset.key === %q && v.querySelector("h1") && !v.textContent.includes("Loading…"))(document.querySelector("#main > .view"))`, view))
}

func (b *browserPage) size(width int64, scheme string) {
	b.t.Helper()
	order(b, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: 850, DeviceScaleFactor: 1, Mobile: width < 500})
	order(b, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"}}})
}

func (b *browserPage) block(pattern string) {
	b.t.Helper()
	order(b, network.SetBlockedURLs, network.SetBlockedURLsParams{URLPatterns: []*network.BlockPattern{{URLPattern: pattern, Block: true}}})
}

func (b *browserPage) press(keys string) {
	b.t.Helper()
	if err := chromedp.Do(b.ctx, chromedp.KeyEvent(keys)); err != nil {
		b.t.Fatal(err)
	}
}

// typeInto replaces what stands in a field, as typing does.
func (b *browserPage) typeInto(id, text string) {
	b.t.Helper()
	b.do(fmt.Sprintf(`const i = document.getElementById(%q); i.focus(); i.select(); document.execCommand("insertText", false, %q)`, id, text))
}

// lookAround finds what would keep somebody from reading the page: ids that stand twice, headings out of order, text that is hard to see (WCAG 2.2, 1.4.3:
// a contrast of 4.5 at least), a page that is wider than its window (1.4.10).
const lookAround = `(() => {
  const bad = [], ids = new Map(), shown = e => e.checkVisibility({visibilityProperty: true, opacityProperty: true}) && e.getBoundingClientRect().width > 0;
  for (const e of document.querySelectorAll("[id]")) ids.set(e.id, (ids.get(e.id) || 0) + 1);
  for (const [id, n] of ids) if (n > 1) bad.push("the id " + id + " stands " + n + " times");
  let level = 0, first = 0;
  for (const e of document.querySelectorAll("h1,h2,h3,h4,h5,h6")) {
    if (!shown(e)) continue;
    const now = Number(e.nodeName[1]);
    if (now === 1) first++;
    if (now > level + 1) bad.push("the heading " + e.textContent + " is of level " + now + " behind one of " + level);
    level = now;
  }
  if (first !== 1) bad.push(first + " headings of level 1");
  if (document.documentElement.scrollWidth > innerWidth) bad.push("the page is " + document.documentElement.scrollWidth + " wide");
  const canvas = document.createElement("canvas").getContext("2d", {willReadFrequently: true}), known = new Map();
  const parse = c => {
    if (!known.has(c)) {
      canvas.clearRect(0, 0, 1, 1);
      canvas.fillStyle = c;
      canvas.fillRect(0, 0, 1, 1);
      known.set(c, [...canvas.getImageData(0, 0, 1, 1).data]);
    }
    return known.get(c);
  };
  const light = ([r, g, b]) => [r, g, b].map(v => v / 255).map(v => v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4).reduce((s, v, k) => s + v * [0.2126, 0.7152, 0.0722][k], 0);
  const over = (top, below) => top.slice(0, 3).map((v, k) => v * top[3] / 255 + below[k] * (1 - top[3] / 255)).concat(255);
  const ground = e => {
    const list = [];
    for (; e; e = e.parentElement) list.push(parse(getComputedStyle(e).backgroundColor));
    return list.reverse().reduce((below, top) => over(top, below), [255, 255, 255, 255]);
  };
  let texts = 0;
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let n; n = walk.nextNode();) {
    const e = n.parentElement;
    if (!n.nodeValue.trim() || !shown(e) || e.closest("canvas,noscript,script,option,iframe") || e.closest(".read,.tip")) continue;
    texts++;
    const css = getComputedStyle(e), under = ground(e), ink = over(parse(e instanceof SVGElement ? css.fill : css.color), under), [p, q] = [light(ink), light(under)].sort((a, b) => b - a), ratio = (p + 0.05) / (q + 0.05);
    if (ratio < 4.5) bad.push("the contrast of " + JSON.stringify(n.nodeValue.trim().slice(0, 40)) + " is " + ratio.toFixed(2));
  }
  if (texts < 10) bad.push("only " + texts + " texts: the search is wrong");
  return bad.join("\n");
})()`

// accessible looks at a view with a reader's eyes: what is on it, and whether everything that can be used has a name.
func (b *browserPage) accessible(view string) {
	b.t.Helper()
	if bad := b.ask(lookAround); bad != "" {
		b.t.Errorf("%s: %s", view, bad)
	}
	used := []string{"button", "link", "textbox", "searchbox", "combobox", "checkbox", "slider", "progressbar", "group", "Iframe", "spinbutton", "Date", "DateTime", "DisclosureTriangle", "img", "figure", "navigation", "form"}
	n := 0
	for _, node := range order(b, accessibility.GetFullAXTree, accessibility.GetFullAXTreeParams{}).Nodes {
		if node.Ignored || node.Role == nil {
			continue
		}
		var role, name string
		_ = json.Unmarshal(node.Role.Value, &role)
		if node.Name != nil {
			_ = json.Unmarshal(node.Name.Value, &name)
		}
		if !slices.Contains(used, role) {
			continue
		}
		n++
		if strings.TrimSpace(name) == "" && role != "figure" && role != "form" && role != "group" {
			b.t.Errorf("%s: a %s has no name", view, role)
		}
	}
	if n < 6 {
		b.t.Errorf("%s: only %d things to use: the search is wrong", view, n)
	}
}

// scripts holds the page's own reckoning against the code of the reports, which writes numbers for people too, and what is typed against what it stands for.
func (b *browserPage) scripts() {
	b.t.Helper()
	module := func(file, call string) string {
		b.t.Helper()
		return b.ask(fmt.Sprintf(`import(%q).then(m => String(%s))`, file, call))
	}
	for _, c := range []struct {
		v, u float64
		unit string
		dim  quantity.Dimension
	}{
		{12.00330, 0.00094, "V", quantity.Voltage}, {0.6645712, 0.00062, "A", quantity.Current}, {0.9012, 0.0034, "1", quantity.Ratio}, {12340, 150, "V", quantity.Voltage},
		{0.0000012, 0, "A", quantity.Current}, {72, 0, "1", quantity.Ratio}, {0, 0.0000037, "V", quantity.Voltage}, {-0.002, 0.0004, "V", quantity.Voltage}, {0.9999996, 0, "V", quantity.Voltage},
		{0.015, 0.0011, "ohm", quantity.Resistance}, {296.15, 0.2, "K", quantity.Temperature}, {0.0035, 0.00000996, "s", quantity.Time}, {123456, 1500, "ohm", quantity.Resistance},
	} {
		want := strings.ReplaceAll(report.WithU(c.v, c.u, c.dim), "-", "−")
		if got := module("/format.js", fmt.Sprintf("m.withU(%g, %g, %q)", c.v, c.u, c.unit)); got != want {
			b.t.Errorf("%g ± %g %s is %q on the page and %q in a report", c.v, c.u, c.unit, got, want)
		}
	}
	for typed, want := range map[string]string{ // the forms on the right: sequence/FORMAT.md
		"12 V": "12 V", " 9 V,  14 V ": "[9 V, 14 V]", "50 mA to 3 A, 8 points, log": "{from: 50 mA, to: 3 A, points: 8, spacing: log}", "9..16 V, 5 points": "{from: 9, to: 16 V, points: 5}",
		"9 V..16 V, 5 points": "{from: 9 V, to: 16 V, points: 5}", "16 V to 9 V, step of 0.5 V": "{from: 16 V, to: 9 V, step: 0.5 V}", "[1 A, 2 A]": "[1 A, 2 A]", "{from: 1 A, to: 2 A, points: 3}": "{from: 1 A, to: 2 A, points: 3}",
		"": "", "5 Ω": "5 ohm", "3 µA, 4 µA": "[3 uA, 4 uA]", "−3 V": "-3 V", "min(1 A, 2 A)": "min(1 A, 2 A)",
	} {
		if got := module("/setting.js", fmt.Sprintf("m.setting(%q)", typed)); got != want {
			b.t.Errorf("%q goes as %q, want %q", typed, got, want)
		}
	}
	// An axis covers its data, its marks are round and in order: properties, common practice.
	for _, a := range []struct {
		low, high float64
		log       bool
	}{{0.05, 3, true}, {0.85, 0.93, false}, {0, 0, false}, {-0.008, 0.008, false}, {1e-6, 5, true}, {5, 5, true}, {4.9979, 5.0003, false}, {-3, 0.2, true}} {
		var got struct {
			Low, High float64
			At        []float64
		}
		text := module("/axis.js", fmt.Sprintf(`(a => JSON.stringify({Low: a.low, High: a.high, At: a.ticks.filter(t => t.label).map(t => t.at)}))(m.axis(%g, %g, %v, "x", "V", 5))`, a.low, a.high, a.log))
		if err := json.Unmarshal([]byte(text), &got); err != nil {
			b.t.Fatalf("%v %s", err, text)
		}
		slack := 1e-9 * math.Max(1, math.Abs(a.high))
		if got.Low > a.low+slack || got.High < a.high-slack || len(got.At) < 1 || len(got.At) > 14 || !slices.IsSorted(got.At) {
			b.t.Errorf("the axis of %+v: %+v", a, got)
		}
	}
}
