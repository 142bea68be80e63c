package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"fourwire/daemon"
	"fourwire/internal/diag"
)

// serveFlags are the options of `serve`.
type serveFlags struct {
	bench     string
	listen    string
	records   string
	sequences string
	state     string
	cert, key string
	tokens    string
	hosts     []string
	armed     bool
	finish    bool
	logText   bool
	lab       labFlags
}

func (a *app) serveCommand() *cobra.Command {
	var f serveFlags
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Run a bench unattended: queue, page and API",
		Long: `Owns the bench: takes jobs in over HTTP, runs them one at a time per instrument, each as a process of its own with its own
record, shows them while they run, and keeps the history. Jobs survive a restart and a cut in power; a run that was under way then
counts as interrupted, and the outputs are verified to be off before another one starts.

It listens on this computer only. To be reached from others it takes TLS (--tls-cert, --tls-key) and tokens (--tokens; "fourwire
token" makes one). A bench of real instruments has to be armed before a job energises it: in the page, over the API, or with --armed.

With --join it shares its work with the other benches of a lab over a cluster of NATS servers: a job is for a bench by its name, or for
any that fits. With --hub it has no bench: it takes jobs for the others, shows them, and keeps copies of their records.

The control "outputs off" of page and API is a software stop and no emergency stop: have a switch in the power.

Exit status: 0 stopped, 3 the input is wrong, 4 the state or the address cannot be used.`,
		Example: `  fourwire serve --bench lab.yaml --sequences sequences/
  curl -d '{"sequence": "efficiency.yaml"}' -H 'Content-Type: application/json' http://127.0.0.1:8460/api/jobs
  curl http://127.0.0.1:8460/api/records
  fourwire serve --bench lab.yaml --name bench-3 --join tls://nats-1.example,tls://nats-2.example,tls://nats-3.example --join-creds bench-3.creds
  fourwire serve --hub --join tls://nats-1.example --join-creds hub.creds --records history`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return a.serve(cmd.Context(), f) },
	}
	flags := cmd.Flags()
	flags.StringVar(&f.bench, "bench", "", "bench file")
	flags.StringVar(&f.listen, "listen", "127.0.0.1:8460", "address to listen at; port 0 takes a free one")
	flags.StringVar(&f.records, "records", "records", "folder of records")
	flags.StringVar(&f.sequences, "sequences", "", "folder of sequences that jobs may name; that of the bench file if left out")
	flags.StringVar(&f.state, "state", "", "folder of jobs, audit log and index; .state in the folder of records if left out")
	flags.StringVar(&f.cert, "tls-cert", "", "certificate, PEM")
	flags.StringVar(&f.key, "tls-key", "", "its key, PEM")
	flags.StringVar(&f.tokens, "tokens", "", "file of tokens")
	flags.StringArrayVar(&f.hosts, "host", nil, "name or address by which others reach the daemon, as often as needed")
	flags.BoolVar(&f.armed, "armed", false, "a bench of real instruments may be energised from the start")
	flags.BoolVar(&f.finish, "finish", false, "on a stop, let runs come to their end before")
	f.lab.add(flags)
	flags.BoolVar(&f.logText, "log-text", false, "log for people instead of JSON lines")
	return cmd
}

func (a *app) serve(ctx context.Context, f serveFlags) error {
	desk, err := f.desk()
	if err != nil {
		return err
	}
	lab, err := f.lab.options(desk.Description().Name)
	if err != nil {
		return err
	}
	if f.sequences == "" && f.bench != "" {
		f.sequences = filepath.Dir(f.bench)
	}
	if f.state == "" {
		f.state = filepath.Join(f.records, ".state")
	}
	program, err := os.Executable()
	if err != nil {
		return notRight(err, "")
	}
	log := zerolog.New(a.err)
	if f.logText {
		log = zerolog.New(zerolog.ConsoleWriter{Out: a.err, NoColor: true})
	}
	config := daemon.Config{
		Desk: desk, Version: "fourwire " + version, Records: absolute(f.records), State: absolute(f.state),
		Listen: f.listen, Cert: f.cert, Key: f.key, Tokens: f.tokens, Hosts: lower(f.hosts), Armed: f.armed, Finish: f.finish,
		Program: program, Log: log.With().Timestamp().Logger(), Page: servedPage(),
		Lab: lab, Ready: func(url string) { a.serving1(url) },
	}
	if f.sequences != "" {
		config.Sequences = absolute(f.sequences)
	}
	if err := daemon.Run(ctx, config); err != nil && !errors.Is(context.Cause(ctx), errInterrupted) {
		return notRight(err, "")
	}
	return nil
}

// serving1 prints where the daemon can be reached.
func (a *app) serving1(url string) {
	if a.json {
		_ = a.document(map[string]string{"url": url}) // a reader that has gone away does not stop the daemon
		return
	}
	fmt.Fprintln(a.out, url)
}

func lower(list []string) []string {
	out := make([]string, len(list))
	for i, s := range list {
		out[i] = strings.ToLower(s)
	}
	return out
}

// loadServed reads a bench for as long as a daemon runs.
func loadServed(path string) (*testBench, error) {
	var found diag.Findings
	tb, err := loadBench(path, &found)
	if err != nil {
		return nil, wrong(err)
	}
	if tb == nil || found.Failed() {
		return nil, &failure{status: exitInput, findings: found.List()}
	}
	if len(tb.bench.Sites) > 0 {
		return nil, &failure{status: exitInput, err: fmt.Errorf("%s has sites: a bench with sites is not served", path), hint: "write a bench file for each site, with instruments of its own"}
	}
	return tb, nil
}
