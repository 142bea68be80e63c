package fleet_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"fourwire/daemon/fleet"
	"fourwire/daemon/queue"
	"fourwire/internal/clock"
)

// certificates makes an authority, a server's certificate for this computer and one for each client, as PEM files in a folder.
func certificates(t *testing.T, dir string, clients ...string) {
	t.Helper()
	now := clock.Real().Now()
	write := func(name, kind string, der []byte) {
		if err := os.WriteFile(filepath.Join(dir, name), pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	key := func() *ecdsa.PrivateKey {
		k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
		if err != nil {
			t.Fatal(err)
		}
		return k
	}
	caKey := key()
	ca := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "lab"}, NotBefore: now.Add(-time.Hour), NotAfter: now.Add(time.Hour), IsCA: true,
		BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign}
	for n, name := range append([]string{"ca", "server"}, clients...) {
		c, k := ca, caKey
		if name != "ca" {
			k = key()
			c = &x509.Certificate{SerialNumber: big.NewInt(int64(n + 1)), Subject: pkix.Name{CommonName: name}, NotBefore: ca.NotBefore, NotAfter: ca.NotAfter, KeyUsage: x509.KeyUsageDigitalSignature,
				ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}}
		}
		der, err := x509.CreateCertificate(rand.Reader, c, ca, &k.PublicKey, caKey)
		if err != nil {
			t.Fatal(err)
		}
		write(name+".pem", "CERTIFICATE", der)
		secret, err := x509.MarshalPKCS8PrivateKey(k)
		if err != nil {
			t.Fatal(err)
		}
		write(name+".key", "PRIVATE KEY", secret)
	}
}

// documented gives the server configurations of docs/lab.md with files in a folder and with free ports.
func documented(t *testing.T, dir string) []*server.Options {
	t.Helper()
	page, err := os.ReadFile(filepath.Join("..", "..", "docs", "lab.md"))
	if err != nil {
		t.Fatal(err)
	}
	var out []*server.Options
	for n, part := range strings.Split(string(page), "```conf\n")[1:] {
		text, _, _ := strings.Cut(part, "```")
		for _, file := range []string{"server.pem", "server.key", "ca.pem", "jetstream"} {
			text = strings.ReplaceAll(text, `"`+file+`"`, `"`+filepath.ToSlash(filepath.Join(dir, file))+`"`)
		}
		at := filepath.Join(dir, fmt.Sprint(n, ".conf"))
		if err := os.WriteFile(at, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		o, err := server.ProcessConfigFile(at)
		if err != nil {
			t.Fatalf("configuration %d of docs/lab.md: %v", n+1, err)
		}
		o.Host, o.Port, o.NoSigs, o.NoLog = "127.0.0.1", -1, true, true
		out = append(out, o)
	}
	return out
}

func started(t *testing.T, o *server.Options) *server.Server {
	t.Helper()
	s, err := server.NewServer(o)
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(10 * time.Second) {
		t.Fatal("the message server does not get ready")
	}
	return s
}

// The configurations of docs/lab.md are read by the server, and do what the page says of them: with TLS and the token a member joins, without it does not and goes
// on trying, and nothing that it logs holds the token.
func TestDocumentedServerWithToken(t *testing.T) {
	dir := t.TempDir()
	certificates(t, dir)
	const token = "Secret7-of-the-lab"
	t.Setenv("LAB_TOKEN", token)
	o := documented(t, dir)[0]
	if o.Cluster.Name != "lab" || len(o.Routes) != 3 || o.Cluster.TLSConfig == nil || o.TLSConfig == nil || o.ServerName != "nats-1" {
		t.Errorf("%+v", o.Cluster)
	}
	o.Cluster, o.Routes = server.ClusterOpts{}, nil // alone for this test
	s := started(t, o)
	var mu sync.Mutex
	var logged strings.Builder
	for _, tt := range []struct {
		name, token, ca string
		want            error
	}{{"right", token, "ca.pem", nil}, {"wrong", token + "x", "ca.pem", fleet.ErrUnreachable}, {"none", "", "ca.pem", fleet.ErrUnreachable}, {"stranger", token, "", fleet.ErrUnreachable}} {
		o := options(s, tt.name, &bench{fits: fitsAll, jobs: map[string]queue.Job{}})
		o.Servers = []string{"tls://" + s.Addr().String()}
		o.Secrets = fleet.Secrets{Token: tt.token}
		if tt.ca != "" {
			o.Secrets.CA = filepath.Join(dir, tt.ca)
		}
		o.Log = func(level, text string, fields map[string]any) {
			mu.Lock()
			defer mu.Unlock()
			fmt.Fprintln(&logged, level, text, fields)
		}
		lab, err := fleet.New(o)
		if err != nil {
			t.Fatal(err)
		}
		defer lab.Close()
		within := 10 * time.Second
		if tt.want != nil {
			within = 300 * time.Millisecond
		}
		err = lab.Join(t.Context(), within)
		if !errors.Is(err, tt.want) {
			t.Errorf("%s: %v", tt.name, err)
		}
		if err != nil {
			if !strings.Contains(err.Error(), map[string]string{"wrong": "Authorization", "none": "Authorization", "stranger": "certificate"}[tt.name]) {
				t.Errorf("%s: the error does not say why: %v", tt.name, err)
			}
			fmt.Fprintln(&logged, err, lab.Reachable())
		}
	}
	mu.Lock()
	defer mu.Unlock()
	if strings.Contains(logged.String(), "Secret7") {
		t.Errorf("the log holds the token:\n%s", logged.String())
	}
}

// With the permissions of docs/lab.md a bench takes part, and cannot listen to what is meant for another.
func TestDocumentedPermissions(t *testing.T) {
	dir := t.TempDir()
	certificates(t, dir, "bench-3")
	t.Setenv("LAB_TOKEN", "x")
	s := started(t, documented(t, dir)[1])
	m := &bench{}
	o := options(s, "bench-3", m)
	o.Servers = []string{"tls://" + s.Addr().String()}
	o.Secrets = fleet.Secrets{CA: filepath.Join(dir, "ca.pem"), Cert: filepath.Join(dir, "bench-3.pem"), Key: filepath.Join(dir, "bench-3.key")}
	var mu sync.Mutex
	var refused []string
	o.Log = func(_, text string, fields map[string]any) {
		mu.Lock()
		defer mu.Unlock()
		if line := fmt.Sprint(text, fields); strings.Contains(strings.ToLower(line), "permission") {
			refused = append(refused, line)
		}
	}
	b, stop := join(t, o)
	id := submit(t, b.lab, queue.Job{})
	until(t, func() bool { _, ok := b.job(id); return ok })
	if err := b.lab.Publish(t.Context(), "1", []byte("[]")); err != nil {
		t.Error(err)
	}
	if got, err := b.lab.Ask(t.Context(), "bench-3", fleet.Command{Do: "off"}, time.Second); err != nil || got.Status != 200 {
		t.Errorf("%+v %v", got, err)
	}
	stop()
	other, err := nats.Connect(o.Servers[0], nats.RootCAs(o.Secrets.CA), nats.ClientCert(o.Secrets.Cert, o.Secrets.Key), nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}))
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	if _, err := other.SubscribeSync("fourwire.do.bench-2"); err != nil {
		t.Fatal(err)
	}
	until(t, func() bool {
		return errors.Is(other.LastError(), nats.ErrPermissionViolation) || other.FlushTimeout(time.Second) != nil
	})
	if !errors.Is(other.LastError(), nats.ErrPermissionViolation) {
		t.Errorf("a bench may listen to what is asked of another: %v", other.LastError())
	}
	mu.Lock()
	defer mu.Unlock()
	if len(refused) > 0 {
		t.Errorf("the permissions are too few: %v", refused)
	}
}
