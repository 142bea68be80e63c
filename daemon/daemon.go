// Package daemon runs a bench unattended: it takes jobs in by its API, runs each as a process of its own with its own record, tells
// everybody who watches how it goes, and switches the bench off when somebody says so or something goes away.
//
// The process of a run has its guardian, and ends in order when the daemon goes away, because its standard input ends. When the daemon
// starts again it waits for what may be left of that process, verifies that the outputs are off, and only then starts another.
package daemon

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/rs/zerolog"

	"fourwire/daemon/access"
	"fourwire/daemon/api"
	"fourwire/daemon/fleet"
	"fourwire/daemon/index"
	"fourwire/daemon/live"
	"fourwire/daemon/queue"
	"fourwire/internal/clock"
)

// Config is what a daemon works with.
type Config struct {
	Desk    Desk
	Version string

	Records   string // folder of records, made where it is missing
	Sequences string // folder of sequences that jobs may name; empty: none
	State     string // folder of jobs and what else has to be remembered

	Listen string       // address; empty: 127.0.0.1:8460
	Page   http.Handler // whatever is not below /api/; nil: nothing
	Cert   string       // files for TLS, which is wanted beyond loopback
	Key    string
	Tokens string   // file of tokens, which is wanted beyond loopback
	Hosts  []string // further names that the daemon is reached by

	Armed  bool // a bench of real instruments may be energised from the start
	Finish bool // on a stop, runs come to their end before the daemon ends; else they are stopped in order

	Lab *fleet.Options // the lab whose work is shared; nil: this bench is alone

	// Store gives the store of jobs and what closes it; nil: one on the disk below State.
	Store func(ctx context.Context, dir string) (queue.Store, func(), error)
	// Program is the command that runs a job, without its arguments: this program.
	Program string

	Clock clock.Clock // nil is the machine's
	Log   zerolog.Logger
	Ready func(url string) // told when requests are taken; nil: nobody
}

const (
	defaultListen = "127.0.0.1:8460"
	remembered    = 4096 // events, of up to some kB each
	shutWithin    = 5 * time.Second
)

// Daemon is a bench at work. It is the api.Service behind its door.
type Daemon struct {
	config  Config
	clock   clock.Clock
	log     zerolog.Logger
	began   time.Time
	queue   *queue.Queue
	lab     *fleet.Lab // nil: this bench is alone
	index   *index.Index
	audit   *access.Audit
	events  *live.Stream[api.Sent]
	records *os.Root
	jobs    string // folder with the files of the jobs
	counts  *counts
	probing probing

	mu      sync.Mutex // guards what follows; never held while something waits
	armed   arming
	held    string // why nothing starts; empty: it does
	unsafe  bool   // something may be on
	lastOff *api.OffReport
	runs    map[string]*progress // by job
	health  map[string]api.Health
	read    map[string]stamped // of overview, by name
}

type arming struct {
	on    bool
	by    string
	until time.Time // zero: no end
}

// Run runs a daemon until ctx ends; it returns when every run is over and the door is shut.
func Run(ctx context.Context, c Config) (err error) {
	d := &Daemon{config: c, clock: clock.Or(c.Clock), log: c.Log, runs: map[string]*progress{}, health: map[string]api.Health{}, read: map[string]stamped{}}
	d.began = d.clock.Now()
	if d.counts, err = newCounts(); err != nil {
		return err
	}
	var closers []func()
	defer func() {
		for i := len(closers) - 1; i >= 0; i-- {
			closers[i]()
		}
	}()
	listener, door, err := d.prepare(ctx, &closers)
	if err != nil {
		return err
	}
	return d.serve(ctx, listener, door)
}

// prepare opens everything that a daemon needs; what is opened is closed by closers.
func (d *Daemon) prepare(ctx context.Context, closers *[]func()) (net.Listener, *api.Server, error) {
	c := &d.config
	if c.Listen == "" {
		c.Listen = defaultListen
	}
	tokens, err := d.checkDoor()
	if err != nil {
		return nil, nil, err
	}
	d.jobs = filepath.Join(c.State, "jobs")
	for _, dir := range []string{c.Records, c.State, d.jobs} {
		if err := os.MkdirAll(dir, 0o700); err != nil {
			return nil, nil, err
		}
	}
	lock, err := lockFolder(c.State)
	if err != nil {
		return nil, nil, err
	}
	*closers = append(*closers, lock)
	listener, err := net.Listen("tcp", c.Listen) // first, since two daemons are most often told apart by it
	if err != nil {
		return nil, nil, err
	}
	*closers = append(*closers, func() { _ = listener.Close() })
	if d.records, err = os.OpenRoot(c.Records); err != nil {
		return nil, nil, err
	}
	*closers = append(*closers, func() { _ = d.records.Close() })
	if d.audit, err = access.OpenAudit(filepath.Join(c.State, "audit.jsonl"), c.Clock); err != nil {
		return nil, nil, err
	}
	*closers = append(*closers, func() { _ = d.audit.Close() })
	if d.index, err = index.Open(filepath.Join(c.State, "index.sqlite")); err != nil {
		return nil, nil, err
	}
	*closers = append(*closers, func() { _ = d.index.Close() })
	boot, err := uuid.NewV7()
	if err != nil {
		return nil, nil, err
	}
	d.events = live.New[api.Sent](boot.String()[24:], remembered)
	store, shut, err := d.openStore(ctx)
	if err != nil {
		return nil, nil, err
	}
	*closers = append(*closers, shut)
	d.queue, err = queue.Open(ctx, queue.Config{Store: store, Clock: c.Clock, Run: d.run, Recover: d.recover, Ready: d.ready, RecordName: d.recordName,
		Changed: d.changed, Failed: func(err error) { d.log.Error().Err(err).Msg("the store of jobs") }})
	if err != nil {
		return nil, nil, err
	}
	d.sweep()
	simulated := c.Desk.Description().Simulated
	d.armed.on = c.Armed || simulated
	if d.armed.on {
		d.armed.by = "the start of the daemon"
	}
	d.clearStaging()
	if c.Lab != nil {
		if err := d.join(ctx); err != nil {
			return nil, nil, err
		}
	}
	door, err := api.New(api.Options{Service: d, Tokens: tokens, Door: access.Door{Hosts: c.Hosts}, TLS: c.Cert != "", Page: c.Page, Clock: c.Clock, Log: d.logged})
	return listener, door, err
}

// checkDoor refuses to be reached from elsewhere without TLS and tokens.
func (d *Daemon) checkDoor() (*access.Tokens, error) {
	c := d.config
	if !access.Loopback(c.Listen) && (c.Cert == "" || c.Key == "" || c.Tokens == "") {
		return nil, fmt.Errorf("%s is reached from other computers: that takes TLS (a certificate and its key) and tokens", c.Listen)
	}
	if (c.Cert == "") != (c.Key == "") {
		return nil, errors.New("a certificate and its key are wanted together")
	}
	if c.Tokens == "" {
		return nil, nil
	}
	return access.OpenTokens(c.Tokens)
}

func (d *Daemon) openStore(ctx context.Context) (queue.Store, func(), error) {
	if d.hub() {
		return nothing{}, func() {}, nil
	}
	if d.config.Store != nil {
		return d.config.Store(ctx, d.config.State)
	}
	server, err := queue.Embed(queue.ServerOptions{Dir: queue.StoreFolder(d.config.State), Name: "fourwire"})
	if err != nil {
		return nil, nil, err
	}
	store, err := queue.NewJetStream(ctx, server.Conn(), "bench", 1)
	if err != nil {
		server.Close()
		return nil, nil, err
	}
	store.OnFailure(server.Doubt)
	return store, server.Close, nil
}

// serve does the work until ctx ends.
func (d *Daemon) serve(ctx context.Context, listener net.Listener, door *api.Server) error {
	work, stop := context.WithCancel(context.WithoutCancel(ctx)) // ends after the runs
	defer stop()
	var others sync.WaitGroup
	others.Go(func() { d.reindex(work) })
	others.Go(func() { d.watchHealth(work) })
	others.Go(func() { d.watchdog(work) })
	if d.lab != nil {
		others.Go(func() { d.lab.Run(work) })
		if d.hub() {
			others.Go(func() { d.lab.Follow(work, d.hear) })
		} else {
			others.Go(func() { d.tellLab(work) })
		}
	}
	server := &http.Server{Handler: door, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 30 * time.Second, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 16 << 10}
	failed := make(chan error, 1)
	go func() {
		if d.config.Cert != "" {
			failed <- server.ServeTLS(listener, d.config.Cert, d.config.Key)
		} else {
			failed <- server.Serve(listener)
		}
	}()
	scheme := "http"
	if d.config.Cert != "" {
		scheme = "https"
	}
	url := scheme + "://" + listener.Addr().String()
	d.log.Info().Str("url", url).Str("bench", d.name()).Str("version", d.config.Version).Msg("serving")
	if d.config.Ready != nil {
		d.config.Ready(url)
	}
	notify("READY=1")
	running, halt := context.WithCancelCause(ctx)
	defer halt(nil)
	over := make(chan error, 1)
	go func() { over <- d.queue.Run(running) }()
	var err error
	select {
	case err = <-failed:
		halt(err)
		<-over
	case err = <-over:
	}
	notify("STOPPING=1")
	d.log.Info().Msg("stopping")
	stop()
	door.Close()
	shutting, cancel := d.clock.WithTimeout(context.WithoutCancel(ctx), shutWithin)
	defer cancel()
	if shut := server.Shutdown(shutting); shut != nil {
		_ = server.Close()
	}
	others.Wait()
	if errors.Is(err, http.ErrServerClosed) || ctx.Err() != nil {
		return nil
	}
	return err
}

func (d *Daemon) logged(level, text string, fields map[string]any) {
	l, err := zerolog.ParseLevel(level)
	if err != nil {
		l = zerolog.InfoLevel
	}
	d.log.WithLevel(l).Fields(fields).Msg(text)
}
