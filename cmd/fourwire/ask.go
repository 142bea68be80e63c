package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fourwire/internal/clock"
	"fourwire/transport"
	"fourwire/transport/dial"
)

func (a *app) askCommand() *cobra.Command {
	var timeout time.Duration
	var times int
	cmd := &cobra.Command{
		Use:   "ask ADDRESS COMMAND",
		Short: "Say one thing to an instrument, print the answer",
		Long: `Sends one message to an instrument and prints what it answers. A message without a question mark has no answer;
its error queue is read instead, so that a refusal is seen.

Addresses: tcp://HOST:PORT, serial:///dev/ttyUSB0?baud=115200&parity=none&flow=none (&backend=plain for ports without
modem lines). Options of any address: end=lf|crlf|cr, gap=5ms, echo=yes, single=yes.

With --time N the query is asked N times, one after the other, and what is printed is how long an answer takes: the wire
(for TCP the time of opening a connection, which costs the instrument's program nothing) and the instrument's processing.
These are the figures of "timing: processing" in a model file.

Take care: a command is carried out at once, whatever is connected to the instrument.

Exit status: 0 done, 3 the address is wrong, 4 no answer or a refusal.`,
		Example: `  fourwire ask tcp://192.168.1.20:5025 "*IDN?"
  fourwire ask "serial:///dev/ttyUSB0?baud=9600" "MEAS:VOLT?"`,
		Args: cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			if cmd.Flags().Changed("time") {
				return a.askTimes(cmd.Context(), args[0], args[1], times, timeout)
			}
			return a.ask(cmd.Context(), args[0], args[1], timeout)
		},
	}
	cmd.Flags().IntVar(&times, "time", 0, "ask so many times and print how long the answers take")
	cmd.Flags().DurationVar(&timeout, "timeout", 5*time.Second, "how long to wait for the answer")
	return cmd
}

type answer struct {
	Address string  `json:"address"`
	Sent    string  `json:"sent"`
	Answer  *string `json:"answer"`
	Errors  string  `json:"errors,omitempty"`
	Seconds float64 `json:"seconds"`
}

func (a *app) ask(ctx context.Context, address, command string, timeout time.Duration) error {
	addr, err := askable(address)
	if err != nil {
		return err
	}
	c := clock.Real()
	ctx, cancel := c.WithTimeout(ctx, timeout)
	defer cancel()
	link, err := (&dial.Dialer{Clock: c}).Dial(ctx, addr)
	if err != nil {
		return notRight(err, "is the instrument on, is the address right, does somebody else hold its only connection?")
	}
	defer link.Close()
	start := c.Now()
	result := answer{Address: address, Sent: command}
	query := strings.Contains(command, "?")
	sent := command
	if !query {
		sent = "SYST:ERR?"
		if err := link.Send(ctx, []byte(command)); err != nil {
			return a.noAnswer(ctx, err)
		}
	}
	if err := link.Send(ctx, []byte(sent)); err != nil {
		return a.noAnswer(ctx, err)
	}
	reply, err := link.Receive(ctx, nil)
	if err != nil {
		return a.noAnswer(ctx, err)
	}
	result.Seconds = c.Since(start).Seconds()
	text := string(reply)
	refused := false
	if query {
		result.Answer = &text
	} else if number, _, _ := strings.Cut(strings.TrimSpace(text), ","); strings.TrimLeft(number, "+-0") != "" {
		result.Errors, refused = text, true
	}
	if a.json {
		if err := a.document(result); err != nil {
			return err
		}
	} else if query {
		fmt.Fprintln(a.out, printable(text))
	}
	if refused {
		return notRight(fmt.Errorf("%s refused %q: %s", address, command, text), "")
	}
	return nil
}

// askable reads an address that can be asked from a process of its own.
func askable(address string) (transport.Address, error) {
	addr, err := transport.ParseAddress(address)
	if err != nil {
		return addr, wrong(err)
	}
	if addr.Scheme == "sim" {
		return addr, &failure{status: exitInput, err: fmt.Errorf("%s lives only inside a run", address), hint: `serve the bench with "fourwire sim BENCH" and ask the address that it prints`}
	}
	return addr, nil
}

func (a *app) noAnswer(ctx context.Context, err error) error {
	if errors.Is(context.Cause(ctx), errInterrupted) {
		return &failure{status: exitInterrupted, err: errInterrupted}
	}
	return notRight(err, "no question, no answer: a query ends with ?; after a wrong command an instrument stays silent")
}
