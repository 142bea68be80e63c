package serve

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/creack/pty"
	"golang.org/x/term"

	"fourwire/sim"
)

// bitsPerCharacter on a serial line: start, eight data, stop.
const bitsPerCharacter = 10

// openTerminal makes a pseudo-terminal and a link to it at path. The terminal is in raw mode, so that bytes pass unchanged, and its far end
// stays open here, so that programs can come and go.
func (s *server) openTerminal(name, path string, quirks sim.Quirks) (string, error) {
	if path == "" {
		return "", errors.New("the path of the link is missing")
	}
	path, err := filepath.Abs(path)
	if err != nil {
		return "", err
	}
	if err := clearLink(path); err != nil {
		return "", err
	}
	near, far, err := pty.Open()
	if err != nil {
		return "", fmt.Errorf("no pseudo-terminal: %w", err)
	}
	if _, err := term.MakeRaw(int(far.Fd())); err != nil {
		return "", errors.Join(fmt.Errorf("the pseudo-terminal cannot be put into raw mode: %w", err), near.Close(), far.Close())
	}
	if err := os.Symlink(far.Name(), path); err != nil {
		return "", errors.Join(err, near.Close(), far.Close())
	}
	t := &terminal{near: near, far: far, path: path}
	s.keep(t)
	l := line{clears: true}
	if quirks.Baud > 0 && !s.pacer.jumps {
		l.perByte = time.Duration(bitsPerCharacter * float64(time.Second) / float64(quirks.Baud) / s.pacer.pace)
	}
	s.running.Go(func() { s.talk(near, name, l) })
	return "serial://" + path, nil
}

// clearLink removes a link that an earlier run has left at path; anything else there is not touched.
func clearLink(path string) error {
	info, err := os.Lstat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case info.Mode()&fs.ModeSymlink == 0:
		return fmt.Errorf("%s exists and is no link; choose another path or remove it", path)
	}
	return os.Remove(path)
}

// terminal is an open pseudo-terminal with its link.
type terminal struct {
	near, far *os.File
	path      string
}

// Close removes the link, unless somebody else has put another one there, and closes both ends.
func (t *terminal) Close() error {
	var err error
	if to, e := os.Readlink(t.path); e == nil && to == t.far.Name() {
		err = os.Remove(t.path)
	}
	return errors.Join(err, t.far.Close(), t.near.Close())
}
