package main

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"fourwire/daemon"
	"fourwire/daemon/fleet"
)

// labFlags are the options of `serve` about a lab.
type labFlags struct {
	hub       bool
	join      []string
	name, lab string
	creds     string
	tokenFile string
	ca        string
	cert, key string
	plain     bool
	replicas  int
	lease     time.Duration
}

// tokenVariable holds the token of a lab where no file does: an option would stand in the list of processes.
const tokenVariable = "FOURWIRE_JOIN_TOKEN"

func (f *labFlags) add(flags *pflag.FlagSet) {
	flags.BoolVar(&f.hub, "hub", false, "no bench of its own: take jobs for the benches of the lab and keep copies of their records")
	flags.StringSliceVar(&f.join, "join", nil, "share work over the NATS servers at these addresses, as in nats://host:4222,nats://other:4222")
	flags.StringVar(&f.name, "name", "", "name in the lab; that of the bench file if left out, \"hub\" of a hub")
	flags.StringVar(&f.lab, "lab", "fourwire", "name of the lab: prefix of everything that it keeps in the cluster")
	flags.StringVar(&f.creds, "join-creds", "", "file of NATS credentials")
	flags.StringVar(&f.tokenFile, "join-token-file", "", "file with a token for the servers; the variable "+tokenVariable+" if left out")
	flags.StringVar(&f.ca, "join-ca", "", "certificate of the authority that vouches for the servers, PEM")
	flags.StringVar(&f.cert, "join-cert", "", "certificate for the servers, PEM")
	flags.StringVar(&f.key, "join-key", "", "its key, PEM")
	flags.BoolVar(&f.plain, "join-plain", false, "join servers on other computers without TLS: on a network of its own only")
	flags.IntVar(&f.replicas, "join-replicas", 0, "copies of what the lab keeps, where this daemon is its first; 3 in a cluster, else 1, if left out")
	flags.DurationVar(&f.lease, "lease", 45*time.Second, "a bench that is not heard of for so long has vanished; the same for the whole lab")
}

// options are those of the lab; nil: none is joined.
func (f labFlags) options(bench string) (*fleet.Options, error) {
	bad := func(text, hint string) (*fleet.Options, error) {
		return nil, &failure{status: exitInput, err: errors.New(text), hint: hint}
	}
	if len(f.join) == 0 {
		if f.hub || f.name != "" {
			return bad("--hub and --name are of a lab, which --join names", "as in --join nats://host:4222")
		}
		return nil, nil
	}
	o := &fleet.Options{Servers: f.join, Lab: f.lab, Name: f.name, Hub: f.hub, Replicas: f.replicas, Lease: f.lease, Secrets: fleet.Secrets{Creds: f.creds, CA: f.ca, Cert: f.cert, Key: f.key, Plain: f.plain}}
	if o.Name == "" {
		o.Name = bench
	}
	if !fleet.ValidName(o.Name) || !fleet.ValidName(o.Lab) {
		return bad(fmt.Sprintf("%q is no name for a bench of a lab, or %q none for a lab", o.Name, o.Lab), "letters, digits, - and _, and not any; see --name and --lab")
	}
	for _, s := range f.join {
		if err := fleet.CheckServer(s, f.plain || f.ca != ""); err != nil {
			return bad(err.Error(), "see --join-creds, --join-token-file, --join-ca and --join-plain")
		}
	}
	if f.lease < time.Second || f.lease > time.Hour {
		return bad("--lease goes from 1s to 1h", "")
	}
	if f.replicas < 0 || f.replicas > 5 {
		return bad("--join-replicas goes from 1 to 5", "")
	}
	if (f.cert == "") != (f.key == "") {
		return bad("--join-cert and --join-key are wanted together", "")
	}
	o.Secrets.Token = os.Getenv(tokenVariable)
	if f.tokenFile != "" {
		data, err := os.ReadFile(f.tokenFile)
		if err != nil {
			return nil, wrong(err)
		}
		o.Secrets.Token = strings.TrimSpace(string(data))
	}
	return o, nil
}

// desk is the bench that is served, or what stands in for one at a hub.
func (f serveFlags) desk() (daemon.Desk, error) {
	switch {
	case f.lab.hub && f.bench != "":
		return nil, &failure{status: exitInput, err: errors.New("a hub has no bench: either --hub or --bench"), hint: "run two daemons for both"}
	case f.lab.hub:
		return hubDesk{"hub"}, nil
	case f.bench == "":
		return nil, &failure{status: exitInput, err: errors.New("--bench FILE is wanted"), hint: `see "fourwire serve --help"`}
	}
	return newDesk(f.bench)
}
