package record

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strconv"
	"time"
)

// A seal is due after so many points, bytes of all files together, or so much time of the run's clock.
const (
	sealPoints = 10
	sealBytes  = 256 << 10
	sealAfter  = time.Minute
)

const kindSeal = "seal"

// sealed is what a seal says of the first bytes of a file.
type sealed struct {
	Bytes  int64  `json:"bytes"`
	Lines  int64  `json:"lines"`
	Mix    uint64 `json:"mix"`
	SHA256 string `json:"sha256"`
}

// chain is where the seals of a record stand.
type chain struct {
	number int    // of the last seal; 0: none yet
	hash   string // of the last seal; empty: none yet
	points int    // since the last seal
	bytes  int64  // of all files, when it was made
	at     time.Duration
}

// sealWhenDue adds a seal where one is due. The caller holds the lock.
func (w *Writer) sealWhenDue() error {
	if w.unsealed {
		return nil
	}
	c := &w.chain
	now := w.clock.Since(w.started)
	if size := w.size(); size == c.bytes || c.points < sealPoints && size-c.bytes < sealBytes && now-c.at < sealAfter {
		return nil
	}
	return w.seal()
}

func (w *Writer) size() int64 {
	var n int64
	for _, f := range w.growing() {
		n += f.sum.bytes
	}
	return n
}

// seal adds a line to the log that states the hash of everything before it, and its own.
func (w *Writer) seal() error {
	if w.unsealed {
		return nil
	}
	if err := w.events.refresh(w.dir); err != nil {
		return fmt.Errorf("record seal: %w", err)
	}
	files := map[string]sealed{}
	for _, f := range w.growing() {
		files[f.name] = f.sum.state()
	}
	at := w.clock.Since(w.started)
	line, hash, err := sealLine(w.chain.number+1, w.chain.hash, files, w.manifest.Started.Add(at), at)
	if err != nil {
		return err
	}
	if err := w.append(w.events, line); err != nil {
		return fmt.Errorf("record seal: %w", err)
	}
	w.chain = chain{number: w.chain.number + 1, hash: hash, bytes: w.size(), at: at}
	return nil
}

// sealLine makes the line of a seal. Its last field is the SHA-256 of the line up to and with the quote before it.
func sealLine(number int, previous string, files map[string]sealed, at time.Time, since time.Duration) (line []byte, hash string, err error) {
	body, err := json.Marshal(files) // sorted by name
	if err != nil {
		return nil, "", fmt.Errorf("record seal: %w", err)
	}
	b := []byte(`{"level":"debug","time":"`)
	b = at.AppendFormat(b, time.RFC3339Nano)
	b = append(b, `","t":`...)
	b = strconv.AppendFloat(b, since.Seconds(), 'g', -1, 64)
	b = append(b, `,"kind":"`+kindSeal+`","message":"seal `...)
	b = strconv.AppendInt(b, int64(number), 10)
	b = append(b, `","seal":`...)
	b = strconv.AppendInt(b, int64(number), 10)
	b = append(b, `,"files":`...)
	b = append(b, body...)
	b = append(b, `,"previous":"`+previous+`","sha256":"`...)
	sum := sha256.Sum256(b)
	hash = hex.EncodeToString(sum[:])
	return append(b, hash+"\"}\n"...), hash, nil
}

// sealMark is what stands in every seal and, quotes being escaped inside texts, in no other line.
const sealMark = `,"kind":"` + kindSeal + `","message":"seal `

// readSeal is a seal as read.
type readSeal struct {
	Number   int               `json:"seal"`
	Files    map[string]sealed `json:"files"`
	Previous string            `json:"previous"`
	SHA256   string            `json:"sha256"`
}

// parseSeal reads the line of a seal, without its end, and tells whether its own hash is right.
func parseSeal(line []byte) (s readSeal, ok bool) {
	const tail = 64 + len(`"}`)
	if len(line) < tail {
		return s, false
	}
	if err := json.Unmarshal(line, &s); err != nil || len(s.Files) > 16 {
		return s, false
	}
	sum := sha256.Sum256(line[:len(line)-tail])
	own := hex.EncodeToString(sum[:])
	return s, s.SHA256 == own && string(line[len(line)-tail:]) == own+`"}`
}
