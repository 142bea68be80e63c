package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fourwire/internal/clock"
	"fourwire/internal/diag"
	"fourwire/sim"
	"fourwire/sim/serve"
	"fourwire/transport"
)

func (a *app) simCommand() *cobra.Command {
	var pace, events string
	var seed uint64
	cmd := &cobra.Command{
		Use:   "sim BENCH",
		Short: "Serve a simulated bench on real sockets and serial ports until stopped",
		Long: `Serves the scenario that a bench file names, each instrument at the address that the bench file gives it: tcp:// as a
listening socket on this machine (port 0 takes a free one), serial: as a pseudo-terminal at that path. It prints the
addresses, then runs until Ctrl-C.

Exit status: 0 stopped, 3 the input is wrong, 4 an address cannot be served.`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.sim(cmd.Context(), args[0], pace, events, seed, cmd.Flags().Changed("seed"))
		},
	}
	cmd.Flags().StringVar(&pace, "pace", "1", "simulated seconds per second; max is as fast as possible")
	cmd.Flags().Uint64Var(&seed, "seed", 0, "seed of the bench; the scenario's own if left out")
	cmd.Flags().StringVar(&events, "events", "", "file that gets what happens on the bench, one JSON object per line, as it happens")
	return cmd
}

type served struct {
	Instrument string `json:"instrument"`
	Address    string `json:"address"`
}

func (a *app) sim(ctx context.Context, path, pace, events string, seed uint64, seeded bool) error {
	var found diag.Findings
	tb, err := loadBench(path, &found)
	if err != nil {
		return wrong(err)
	}
	if tb == nil || found.Failed() {
		return &failure{status: exitInput, findings: found.List()}
	}
	if tb.scenario == nil {
		return &failure{status: exitInput, err: fmt.Errorf("%s names no scenario", path), hint: "add simulate: and the name of a scenario file beside it"}
	}
	if tb.simulated {
		return &failure{status: exitInput, err: fmt.Errorf("the instruments of %s have sim: addresses, which live inside a run", path),
			hint: "give them addresses that can be served, as in tcp://127.0.0.1:5025 or serial:meter.pty?backend=plain"}
	}
	options := serve.Options{Clock: clock.Real(), Ready: a.serving}
	if options.Pace, err = parsePace(pace); err != nil {
		return wrong(err)
	}
	for _, in := range tb.bench.Instruments {
		address, err := servedAt(in.Address, filepath.Dir(path))
		if err != nil {
			return wrong(fmt.Errorf("%s: %w", in.Name, err))
		}
		options.Endpoints = append(options.Endpoints, serve.Endpoint{Instrument: in.Name, Address: address})
	}
	simOptions := sim.Options{}
	if seeded {
		simOptions.Seed = &seed
	}
	if events != "" {
		f, err := os.Create(events)
		if err != nil {
			return wrong(err)
		}
		defer f.Close()
		options.Event = eventLog(f)
	}
	b, err := sim.New(tb.scenario, simOptions)
	if err != nil {
		return wrong(err)
	}
	if err := serve.Serve(ctx, b, options); err != nil && !errors.Is(context.Cause(ctx), errInterrupted) {
		return notRight(err, "")
	}
	return nil
}

// servedAt is the address for the server: a serial port's path starts from the folder of the bench file.
func servedAt(address, dir string) (string, error) {
	if !strings.HasPrefix(address, "serial:") {
		return address, nil
	}
	a, err := transport.ParseAddress(address)
	if err != nil {
		return "", err
	}
	if !filepath.IsAbs(a.Path) {
		a.Path = filepath.Join(dir, a.Path)
	}
	return a.String(), nil
}

// simEvent is one line of the file that --events names.
type simEvent struct {
	Wall       time.Time `json:"wall"`    // real time
	Seconds    float64   `json:"seconds"` // simulated, since the bench was switched on
	Instrument string    `json:"instrument"`
	Channel    int       `json:"channel,omitempty"` // 0: a device
	Kind       string    `json:"kind"`              // switched, set, tripped, mode, cleared, reset
	Text       string    `json:"text,omitempty"`
	Value      float64   `json:"value"` // SI
}

// eventLog writes each event as it happens, in one write, so that the file can be followed and survives whatever comes.
func eventLog(to io.Writer) func(time.Time, sim.Event) {
	return func(wall time.Time, e sim.Event) {
		line, err := json.Marshal(simEvent{wall, e.At.Seconds(), e.Instrument, e.Channel, e.Kind.String(), e.Text, e.Value})
		if err == nil {
			_, _ = to.Write(append(line, '\n')) // a full disk does not stop the bench
		}
	}
}

// serving prints where each instrument can be reached, once all of them can.
func (a *app) serving(endpoints []serve.Endpoint) {
	if a.json {
		list := make([]served, 0, len(endpoints))
		for _, e := range endpoints {
			list = append(list, served{e.Instrument, e.Address})
		}
		_ = a.document(list) // a reader that has gone away does not stop the bench
		return
	}
	for _, e := range endpoints {
		fmt.Fprintf(a.out, "%-16s %s\n", e.Instrument, e.Address)
	}
	fmt.Fprintln(a.out, "serving; Ctrl-C stops")
}

func parsePace(text string) (float64, error) {
	if strings.EqualFold(text, "max") {
		return 0, nil
	}
	var pace float64
	if _, err := fmt.Sscanf(text, "%g", &pace); err != nil || !(pace > 0 && pace <= 1e6) {
		return 0, fmt.Errorf("--pace %q: a number above 0, as in 10 for ten times real time, or max", text)
	}
	return pace, nil
}
