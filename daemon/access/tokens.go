package access

import (
	"bufio"
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"strings"
	"sync"
	"time"
)

// ErrToken says that a token is not known.
var ErrToken = errors.New("the token is not known")

// A token is "fw.ID.SECRET": 6 random bytes that name it and 32 that prove it, both base64url. What is kept of the secret is its SHA-256: with 256
// random bits there is nothing to guess, so that a slow hash would add nothing.
const (
	tokenPrefix  = "fw."
	idBytes      = 6
	secretBytes  = 32
	maxTokenFile = 1 << 20
	maxTokenText = 200
)

// NewToken makes a token. The text goes to whoever will use it and is kept nowhere; the line goes into the file of tokens.
func NewToken(name string, role Role) (text, line string, err error) {
	if name == "" || len(name) > 60 || strings.ContainsFunc(name, func(r rune) bool { return r <= ' ' || r > '~' || r == '#' }) {
		return "", "", fmt.Errorf("%q: a name is 1 to 60 letters, digits and signs without spaces or #", name)
	}
	if role == Nobody {
		return "", "", errRole
	}
	random := make([]byte, idBytes+secretBytes)
	_, _ = rand.Read(random) // never fails, as crypto/rand says
	id, secret := base64.RawURLEncoding.EncodeToString(random[:idBytes]), base64.RawURLEncoding.EncodeToString(random[idBytes:])
	sum := sha256.Sum256([]byte(secret))
	return tokenPrefix + id + "." + secret, strings.Join([]string{name, role.String(), id, hex.EncodeToString(sum[:])}, " "), nil
}

// Tokens are the tokens of a file, which is read again when it changes. All methods may be called by several goroutines.
type Tokens struct {
	file string

	mu    sync.Mutex // guards what follows
	known map[string]entry
	size  int64
	at    time.Time
}

type entry struct {
	who  Who
	hash [sha256.Size]byte
}

// OpenTokens reads a file of tokens: one on each line, "NAME ROLE ID SHA256", and lines that begin with #.
func OpenTokens(file string) (*Tokens, error) {
	t := &Tokens{file: file}
	if err := t.load(); err != nil {
		return nil, err
	}
	if len(t.known) == 0 {
		return nil, fmt.Errorf("%s holds no token; make one with \"fourwire token\"", file)
	}
	return t, nil
}

func (t *Tokens) load() error {
	info, err := os.Stat(t.file)
	if err != nil {
		return fmt.Errorf("the tokens: %w", err)
	}
	if info.Size() == t.size && info.ModTime().Equal(t.at) {
		return nil
	}
	if info.Size() > maxTokenFile {
		return fmt.Errorf("%s is larger than %d bytes", t.file, maxTokenFile)
	}
	data, err := os.ReadFile(t.file)
	if err != nil {
		return fmt.Errorf("the tokens: %w", err)
	}
	known, err := readTokens(data)
	if err != nil {
		return fmt.Errorf("%s: %w", t.file, err)
	}
	t.known, t.size, t.at = known, info.Size(), info.ModTime()
	return nil
}

func readTokens(data []byte) (map[string]entry, error) {
	known := map[string]entry{}
	n := 0
	for lines := bufio.NewScanner(bytes.NewReader(data)); lines.Scan(); {
		n++
		fields := strings.Fields(lines.Text())
		if len(fields) == 0 || strings.HasPrefix(fields[0], "#") {
			continue
		}
		if len(fields) != 4 {
			return nil, fmt.Errorf("line %d: NAME ROLE ID SHA256 is wanted", n)
		}
		role, err := ParseRole(fields[1])
		if err != nil {
			return nil, fmt.Errorf("line %d: %w", n, err)
		}
		hash, err := hex.DecodeString(fields[3])
		if err != nil || len(hash) != sha256.Size {
			return nil, fmt.Errorf("line %d: the last field is no SHA-256", n)
		}
		e := entry{who: Who{Name: fields[0], Role: role}}
		copy(e.hash[:], hash)
		if _, twice := known[fields[2]]; twice {
			return nil, fmt.Errorf("line %d: the id %s stands there twice", n, fields[2])
		}
		known[fields[2]] = e
	}
	return known, nil
}

// Find tells whose a token is.
func (t *Tokens) Find(text string) (Who, error) {
	rest, ok := strings.CutPrefix(text, tokenPrefix)
	id, secret, cut := strings.Cut(rest, ".")
	if !ok || !cut || len(text) > maxTokenText {
		return Who{}, ErrToken
	}
	t.mu.Lock()
	loaded := t.load() // one that cannot be read any more lets nobody in
	e, known := t.known[id]
	t.mu.Unlock()
	if loaded != nil {
		return Who{}, loaded
	}
	sum := sha256.Sum256([]byte(secret))
	if same := subtle.ConstantTimeCompare(sum[:], e.hash[:]) == 1; !known || !same {
		return Who{}, ErrToken
	}
	return e.who, nil
}
