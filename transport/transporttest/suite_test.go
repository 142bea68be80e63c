package transporttest_test

import (
	"io"
	"testing"

	"fourwire/transport"
	"fourwire/transport/transporttest"
)

func TestPipe(t *testing.T) {
	transporttest.Run(t, func(t *testing.T, o transport.Options) (transport.Link, io.ReadWriteCloser) {
		here, there := transport.Pipe()
		link := transport.NewStream(here, transport.Address{Scheme: "sim", Path: "pipe", Options: o}, nil)
		t.Cleanup(func() { _ = link.Close(); _ = there.Close() })
		return link, there
	})
}
