package tiles

import (
	"bytes"
	"compress/flate"
	"encoding/base64"
	"fmt"
	"os"
	"path/filepath"

	"fourwire/record/trace"
)

// base64Grows is what three bytes become in text.
const base64Grows = 4.0 / 3

// packer deflates payloads (RFC 1951) and writes them as scripts that hand their text to the page: a page that was opened as a file may
// load scripts from beside it, and nothing else.
type packer struct {
	deflate *flate.Writer
	packed  bytes.Buffer
	text    []byte
}

func newPacker() (*packer, error) {
	w, err := flate.NewWriter(nil, flate.BestSpeed)
	return &packer{deflate: w}, err
}

func (p *packer) pack(payload []byte) ([]byte, error) {
	p.packed.Reset()
	p.deflate.Reset(&p.packed)
	if _, err := p.deflate.Write(payload); err != nil {
		return nil, err
	}
	if err := p.deflate.Close(); err != nil {
		return nil, err
	}
	return p.packed.Bytes(), nil
}

// file is the file of a payload.
func (p *packer) file(folder, name, prefix string, number int64, payload []byte) (bytes int64, err error) {
	packed, err := p.pack(payload)
	if err != nil {
		return 0, err
	}
	p.text = fmt.Appendf(p.text[:0], "fourwireTile(%q,%q,%d,\"", name, prefix, number)
	p.text = base64.StdEncoding.AppendEncode(p.text, packed)
	p.text = append(p.text, "\")\n"...)
	path := filepath.Join(folder, fmt.Sprintf("%s%d.js", prefix, number))
	return int64(len(p.text)), os.WriteFile(path, p.text, 0o666)
}

// trial packs a few chunks of samples, taken from all over the trace, and gives the bytes per sample that they take as text.
func trial(x *Index, t *trace.Trace) (float64, error) {
	const trials = 8
	p, err := newPacker()
	if err != nil {
		return 0, err
	}
	taken, samples := 0.0, 0.0
	c := newCounts(x)
	for k := range int64(trials) {
		from := (2*k + 1) * x.Len / (2 * trials)
		to := min(from+chunkSlots, x.Len)
		c.begin(from, int(to-from))
		for s, err := range t.Blocks(nil, from, to) {
			if err != nil {
				return 0, err
			}
			c.take(x, s, 0, s.Count)
		}
		if c.present == 0 {
			continue
		}
		packed, err := p.pack(c.encode(nil))
		if err != nil {
			return 0, err
		}
		taken += base64Grows * float64(len(packed))
		samples += float64(to - from)
	}
	if samples == 0 {
		return 0.1, nil
	}
	return taken/samples + 0.01, nil
}
