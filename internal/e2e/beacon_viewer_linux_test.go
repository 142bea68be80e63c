package e2e

import (
	"context"
	"fmt"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"fourwire/internal/clock"
	"fourwire/quantity"
	"fourwire/report"
)

// zoomed is what of `fourwire zoom --json` is looked at here.
type zoomedSpan struct {
	Signals []struct {
		Whole struct {
			Samples  int64   `json:"samples"`
			Integral float64 `json:"integral"`
			Mean     float64 `json:"mean"`
		} `json:"whole"`
	} `json:"signals"`
}

// What the page of a run's own report says of the charge between two cursors is what the command says of the same span, to all the digits
// that the page shows: both sum the same whole numbers. Cursors are set by keys: on the whole trace, around events, and in steps of one sample.
func TestChargeBetweenCursorsIsThatOfZoom(t *testing.T) {
	path, err := exec.LookPath("chromium")
	if err != nil || testing.Short() {
		t.Skip("needs chromium")
	}
	span := "1 h"
	if long() {
		span = "24 h"
	}
	_, rec := runExample(t, "life.yaml", "--set", "time="+span, "--quiet")
	o := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.WSURLReadTimeout(time.Minute), chromedp.WindowSize(1280, 900))
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), o...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	ctx, cancel = clock.Real().WithTimeout(ctx, 3*time.Minute)
	t.Cleanup(cancel)
	ask := func(script string) string {
		t.Helper()
		text, err := chromedp.Run(ctx, chromedp.Evaluate[string](script))
		if err != nil {
			t.Fatalf("%s: %v", script, err)
		}
		return text
	}
	do := func(a chromedp.Action[chromedp.Void]) {
		t.Helper()
		if err := chromedp.Do(ctx, a); err != nil {
			t.Fatal(err)
		}
	}
	// settled waits until what was asked for is there, and two frames have been drawn since
	settled := func() {
		t.Helper()
		const frames = `window.drawn = 0, requestAnimationFrame(() => requestAnimationFrame(() => window.drawn = 1)), ""`
		ask(frames)
		for range 4000 {
			switch ask(`window.drawn ? document.querySelector(".viewer").dataset.waiting || "" : ""`) {
			case "0":
				return
			case "1":
				ask(frames)
			}
			_ = clock.Real().Sleep(ctx, 5*time.Millisecond)
		}
		t.Fatal("the viewer waits for something that does not come")
	}
	do(chromedp.Navigate("file://" + filepath.ToSlash(rec.Dir) + "/report.html"))
	ask(`document.querySelector(".stage").scrollIntoView({block: "center"}), document.querySelector(".stage").focus(), ""`)
	for _, c := range []struct{ when, keys string }{
		{"the whole trace", ""},
		{"the first event", "n"},
		{"the third event", "nn"},
		{"some samples of it", "a" + kb.ArrowRight + kb.ArrowRight + kb.ArrowRight + "b"},
		{"a part of the whole", kb.Home + "==" + kb.ArrowRight + "a" + kb.ArrowRight + kb.ArrowRight + "b"},
	} {
		t.Run(c.when, func(t *testing.T) {
			for _, key := range c.keys {
				do(chromedp.KeyEvent(string(key)))
				settled()
			}
			settled()
			var at [2]int64
			for i := range at {
				at[i], err = strconv.ParseInt(ask(fmt.Sprintf(`document.querySelectorAll(".handle")[%d].getAttribute("aria-valuenow")`, i)), 10, 64)
				if err != nil {
					t.Fatal(err)
				}
			}
			from, to := min(at[0], at[1]), max(at[0], at[1])
			z := fourwire(t, nil, "zoom", rec.Dir, "hour", "--from", fmt.Sprintf("%d ms", from), "--to", fmt.Sprintf("%d ms", to), "--json")
			if z.exit != 0 {
				t.Fatal(z.err)
			}
			whole := decode[zoomedSpan](t, z.out).Signals[0].Whole
			charge := report.Pretty(quantity.Of(whole.Integral, quantity.Charge).Text(6))
			samples := strings.Map(func(r rune) rune {
				if r >= '0' && r <= '9' {
					return r
				}
				return -1
			}, ask(`document.querySelector('.readout [data-value="samples"]').textContent`))
			told := ask(`document.querySelector('.readout [data-value="charge"]').textContent`)
			if told != charge || samples != strconv.FormatInt(whole.Samples, 10) || to <= from {
				t.Errorf("%d to %d: the page says %q in %s samples, the command %q in %d", from, to, told, samples, charge, whole.Samples)
			}
			t.Logf("%d to %d: %s, %s samples", from, to, told, samples)
		})
	}
}
