package html_test

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	cdplog "github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"fourwire/internal/clock"
	"fourwire/report/reporttest"
)

func browser(t *testing.T) context.Context {
	t.Helper()
	if testing.Short() {
		t.Skip("not in short tests")
	}
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if found, err := exec.LookPath(name); err == nil {
			path = found
			break
		}
	}
	if path == "" {
		t.Skip("chromium is not installed")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.WSURLReadTimeout(time.Minute))
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	ctx, cancel = clock.Real().WithTimeout(ctx, 3*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

func TestInABrowser(t *testing.T) {
	ctx := browser(t)
	dir := t.TempDir()
	path := filepath.Join(dir, "report.html")
	if err := os.WriteFile(path, makePage(t, reporttest.Options{Mixed: true, Hostile: true, LongText: true}), 0o666); err != nil {
		t.Fatal(err)
	}
	address := "file://" + filepath.ToSlash(path)
	var mu sync.Mutex // guards trouble: events come on a goroutine of their own
	var trouble []string
	for _, err := range []error{
		call(ctx, network.Enable, network.EnableParams{}), call(ctx, cdplog.Enable, cdp.Empty{}), call(ctx, runtime.Enable, cdp.Empty{}),
		chromedp.Listen(ctx, func(event any) {
			mu.Lock()
			defer mu.Unlock()
			trouble = append(trouble, complaint(event, address)...)
		}),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, width := range []int64{1280, 960, 800, 390} {
		for _, scheme := range []string{"light", "dark"} {
			if scheme == "dark" && width != 1280 && width != 390 {
				continue
			}
			t.Run(fmt.Sprintf("%d %s", width, scheme), func(t *testing.T) {
				look(t, ctx, address, width, scheme)
				mu.Lock()
				defer mu.Unlock()
				for _, x := range trouble {
					t.Error(x)
				}
				trouble = nil
			})
		}
	}
}

// call runs one command of the protocol.
func call[P, R any](ctx context.Context, command cdp.Command[P, R], params P) error {
	_, err := chromedp.Call(ctx, command, params)
	return err
}

// complaint is what is wrong with an event: scripts that fail, messages on the console, anything fetched but the page.
func complaint(event any, address string) []string {
	switch e := event.(type) {
	case *runtime.EventExceptionThrown:
		text := e.ExceptionDetails.Text
		if x := e.ExceptionDetails.Exception; x != nil {
			text += " " + x.Description
		}
		return []string{"exception: " + text}
	case *runtime.EventConsoleAPICalled:
		return []string{fmt.Sprint("console: ", e.Type)}
	case *cdplog.EventEntryAdded:
		return []string{"log: " + e.Entry.Text}
	case *network.EventRequestWillBeSent:
		if u := e.Request.URL; u != address && !strings.HasPrefix(u, "data:") {
			return []string{"fetches " + u}
		}
	}
	return nil
}

// look opens the page at one width and tries what a reader does.
func look(t *testing.T, ctx context.Context, address string, width int64, scheme string) {
	t.Helper()
	ask := func(script string) string { return evaluate[string](t, ctx, script) }
	const figure = `document.querySelector("#curve-1")`
	const visible = `[...` + figure + `.querySelectorAll("svg.chart")].find(s => s.getBoundingClientRect().width > 0)`
	const tip = `(t => t.hidden ? "" : t.textContent)(` + figure + `.querySelector(".tip"))`
	const lines = `[...` + visible + `.querySelectorAll(".line")].filter(g => getComputedStyle(g).display !== "none").length`
	for _, err := range []error{
		call(ctx, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: 900, DeviceScaleFactor: 1, Mobile: width < 500}),
		call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}}),
		chromedp.Do(ctx, chromedp.Navigate(address)),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	overflow := ask(`document.documentElement.scrollWidth > innerWidth ? "the page is " + document.documentElement.scrollWidth + " wide" : ""`)
	ground := ask(`getComputedStyle(document.body).backgroundColor`)
	evaluate[chromedp.Void](t, ctx, figure+`.scrollIntoView()`)
	spot := evaluate[struct{ X, Y float64 }](t, ctx, `(m => ({X: m.x + m.width / 2, Y: m.y + m.height / 2}))(`+visible+`.querySelector('.line[data-line="1"] [data-point="34"]').getBoundingClientRect())`)
	if err := chromedp.Do(ctx, chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, spot.X+2, spot.Y+2)); err != nil {
		t.Fatal(err)
	}
	tipAfterHover := ask(tip)
	evaluate[chromedp.Void](t, ctx, figure+`.querySelector(".plot").focus()`)
	if err := chromedp.Do(ctx, chromedp.KeyEvent(kb.ArrowRight+kb.ArrowRight+kb.ArrowDown)); err != nil {
		t.Fatal(err)
	}
	tipAfterKey, read := ask(tip), ask(figure+`.querySelector(".read").textContent`)
	tryBudgets(t, ctx, figure, visible)
	shown := evaluate[int](t, ctx, lines)
	evaluate[chromedp.Void](t, ctx, figure+`.querySelector('.legend input[data-line="2"]').click()`)
	shownAfter := evaluate[int](t, ctx, lines)
	if overflow != "" {
		t.Error(overflow)
	}
	if want := map[string]string{"light": "rgb(255, 255, 255)", "dark": "rgb(21, 24, 28)"}[scheme]; ground != want {
		t.Errorf("the ground is %s", ground)
	}
	for _, want := range []string{"vin = 12 V", "io: (", "efficiency: (", "point 34"} {
		if !strings.Contains(tipAfterHover, want) {
			t.Errorf("hovering over point 34 shows %q, without %q", tipAfterHover, want)
		}
	}
	if !strings.Contains(tipAfterKey, "vin = 12 V") || !strings.Contains(tipAfterKey, "point 22") {
		t.Errorf("two steps right and one down show %q", tipAfterKey)
	}
	if read != strings.ReplaceAll(tipAfterKey, "\n", ", ") {
		t.Errorf("read out: %q, shown: %q", read, tipAfterKey)
	}
	if shown != 3 || shownAfter != 2 {
		t.Errorf("%d lines, %d after one was switched off", shown, shownAfter)
	}
}

// tryBudgets chooses points as a reader does, by mouse and by keys, and looks at the budget that appears.
func tryBudgets(t *testing.T, ctx context.Context, figure, visible string) {
	t.Helper()
	const panel = `document.getElementById("chosen")`
	const told = `(p => p.getBoundingClientRect().height > 0 ? [...p.querySelectorAll("h3, .value, tr")].map(e => e.textContent.trim().replace(/\s+/g, " ")).join("\n") : "")(` + panel + `)`
	const where = panel + `.previousElementSibling.className`
	press := func(keys string) {
		t.Helper()
		if err := chromedp.Do(ctx, chromedp.KeyEvent(keys)); err != nil {
			t.Fatal(err)
		}
	}
	expect := func(how, place string, wants ...string) {
		t.Helper()
		got := evaluate[string](t, ctx, told)
		for _, want := range wants {
			if !strings.Contains(got, want) {
				t.Errorf("%s shows the budget\n%s\nwithout %q", how, got, want)
			}
		}
		if at := evaluate[string](t, ctx, where); !strings.HasPrefix(at, place) {
			t.Errorf("%s shows the budget behind %q", how, at)
		}
	}
	press(kb.Enter) // the arrow keys had gone to point 22
	expect("Enter in a picture", "plot", "efficiency at point 22", "vin = 12 V", "amm-in, 5 A range ii", "offset")
	spot := evaluate[struct{ X, Y float64 }](t, ctx, `(m => (m.scrollIntoView({block: "center"}), m = m.getBoundingClientRect(), {X: m.x + m.width / 2, Y: m.y + m.height / 2}))(`+visible+`.querySelector('.line[data-line="1"] [data-point="34"]'))`)
	if err := chromedp.Do(ctx, chromedp.MouseClickXY(spot.X, spot.Y)); err != nil {
		t.Fatal(err)
	}
	expect("a click in a picture", "plot", "efficiency at point 34", ") % vin = 12 V, iout = 823.4 mA", "sink-1, 6 A range io")
	evaluate[chromedp.Void](t, ctx, `document.querySelector("#p1").focus()`)
	press(kb.ArrowDown + kb.ArrowDown + kb.Enter)
	expect("Enter in the table", "scroll", "efficiency at point 3", "vin = 9 V")
	evaluate[chromedp.Void](t, ctx, `[...document.querySelectorAll("#chosen .pick button")].find(b => b.textContent === "ii").click()`)
	expect("the button of another value", "scroll", "ii at point 3", "amm-in, 5 A range ii", "100 %")
	if wide := evaluate[string](t, ctx, `document.documentElement.scrollWidth > innerWidth ? "with a budget the page is " + document.documentElement.scrollWidth + " wide" : ""`); wide != "" {
		t.Error(wide)
	}
	if focus := evaluate[string](t, ctx, `document.activeElement.textContent`); focus != "ii" {
		t.Errorf("after the button the focus is on %q", focus)
	}
	evaluate[chromedp.Void](t, ctx, figure+`.scrollIntoView()`)
}

func evaluate[T any](t *testing.T, ctx context.Context, script string) T {
	t.Helper()
	got, err := chromedp.Run(ctx, chromedp.Evaluate[T](script))
	if err != nil {
		t.Fatalf("%s: %v", script, err)
	}
	return got
}
