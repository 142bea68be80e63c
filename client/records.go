package client

import (
	"context"
	"io"
	"iter"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"fourwire/daemon/api"
)

// Search looks for records. The zero value finds all.
type Search struct {
	Words    string // each must be in title, sequence, bench, operator, settings, serial numbers or id
	Outcome  string // pass, fail, undecided, not judged
	Sequence string
	From, To time.Time // filed
}

// Records goes through the records that a search finds, latest first. It ends after the first error.
func (c *Client) Records(ctx context.Context, s Search) iter.Seq2[api.Brief, error] {
	return func(yield func(api.Brief, error) bool) {
		query := url.Values{"limit": {strconv.Itoa(pageSize)}}
		for name, value := range map[string]string{"q": s.Words, "outcome": s.Outcome, "sequence": s.Sequence, "from": stamp(s.From), "to": stamp(s.To)} {
			if value != "" {
				query.Set(name, value)
			}
		}
		for {
			page, err := call[api.Records](ctx, c, http.MethodGet, path("records"), query, nil)
			if err != nil {
				yield(api.Brief{}, err)
				return
			}
			for _, r := range page.Records {
				if !yield(r, nil) {
					return
				}
			}
			if page.Next == "" {
				return
			}
			query.Set("after", page.Next)
		}
	}
}

func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339Nano)
}

// Record gives one record without its points. Its id is the name of its folder, which a job gives as Record.
func (c *Client) Record(ctx context.Context, id string) (api.Record, error) {
	return call[api.Record](ctx, c, http.MethodGet, path("records", id), nil, nil)
}

// Points goes through the points of a record that have a higher number than after, 0 for all, as far as the record has come. Values are in the units
// that the record's columns state. It ends after the first error.
func (c *Client) Points(ctx context.Context, id string, after int) iter.Seq2[api.Point, error] {
	return func(yield func(api.Point, error) bool) {
		for {
			page, err := call[api.Points](ctx, c, http.MethodGet, path("records", id, "points"), url.Values{"after": {strconv.Itoa(after)}}, nil)
			if err != nil {
				yield(api.Point{}, err)
				return
			}
			for _, p := range page.Points {
				if !yield(p, nil) {
					return
				}
				after = max(after, p.N)
			}
			if len(page.Points) == 0 {
				return
			}
		}
	}
}

// PointsCSV gives the points as the table that stands in the record. The caller closes it.
func (c *Client) PointsCSV(ctx context.Context, id string) (io.ReadCloser, error) {
	return c.file(ctx, path("records", id, "points.csv"))
}

// Report gives a file of the reports of a record: report.html, results.xlsx, verdict.junit.xml, or one below report/. The caller closes it.
func (c *Client) Report(ctx context.Context, id, name string) (io.ReadCloser, error) {
	return c.file(ctx, names([]string{"records", id, "report"}, name))
}

func (c *Client) file(ctx context.Context, at string) (io.ReadCloser, error) {
	answer, err := c.send(ctx, http.MethodGet, at, nil, nil)
	if err != nil {
		return nil, err
	}
	return answer.Body, nil
}

// Trace gives a span of a recorded signal in bins with the lowest, mean and highest sample of each, and the integral of the whole span. The zero query is all of
// the first signal in 1000 bins.
func (c *Client) Trace(ctx context.Context, record, name string, q api.TraceQuery) (api.TraceBins, error) {
	query := url.Values{}
	for key, value := range map[string]string{"signal": q.Signal, "from": q.From, "to": q.To} {
		if value != "" {
			query.Set(key, value)
		}
	}
	if q.Bins > 0 {
		query.Set("bins", strconv.Itoa(q.Bins))
	}
	return call[api.TraceBins](ctx, c, http.MethodGet, path("records", record, "traces", name), query, nil)
}

// Compare holds records against the first one, paired by their coordinates. Without columns all measured and derived ones are compared.
func (c *Client) Compare(ctx context.Context, records []string, columns ...string) (api.Comparison, error) {
	return call[api.Comparison](ctx, c, http.MethodPost, path("compare"), nil, api.Comparing{Records: records, Columns: columns})
}
