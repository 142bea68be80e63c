package daemon

import (
	"context"
	"net/http"

	"fourwire/daemon/api"
)

// Compare compares records.
func (d *Daemon) Compare(context.Context, api.Comparing) (api.Comparison, error) {
	return api.Comparison{}, api.Refuse(http.StatusNotImplemented, "not yet", "")
}
