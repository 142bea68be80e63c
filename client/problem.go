package client

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strings"

	"fourwire/daemon/api"
)

// Why a request was not carried out, for errors.Is. The error itself is an [*Error].
var (
	ErrUnauthorized = errors.New("a token is wanted, or this one is not known") // 401
	ErrForbidden    = errors.New("the token does not allow it")                 // 403
	ErrNotFound     = errors.New("there is no such thing")                      // 404
	ErrConflict     = errors.New("it is in no state for that")                  // 409
	ErrWrong        = errors.New("what was submitted is wrong")                 // 422: see Findings
	ErrBusy         = errors.New("the daemon wants to be asked later")          // 429, 503
	ErrNoRoom       = errors.New("the daemon has no room to keep it")           // 507
)

// Error is a request that was not carried out.
type Error struct {
	Method, Path string
	Problem      api.Problem // as the daemon put it; of an answer that is none of the daemon's, the status alone
}

// Error says what was asked, why not, and what the daemon found wrong.
func (e *Error) Error() string {
	var b strings.Builder
	text := e.Problem.Detail
	if text == "" {
		text = e.Problem.Title
	}
	fmt.Fprintf(&b, "%s %s: %s (%d)", e.Method, e.Path, text, e.Problem.Status)
	for _, f := range e.Problem.Findings {
		b.WriteString("\n")
		if f.File != "" {
			fmt.Fprintf(&b, "%s:%d:%d: ", f.File, f.Line, f.Column)
		}
		b.WriteString(f.Text)
		if f.Hint != "" {
			b.WriteString("; " + f.Hint)
		}
	}
	if e.Problem.Hint != "" {
		b.WriteString("\nhint: " + e.Problem.Hint)
	}
	return b.String()
}

// Findings is what is wrong in the files of a submission.
func (e *Error) Findings() []api.Finding { return e.Problem.Findings }

// Is tells which of the errors above it is.
func (e *Error) Is(target error) bool {
	switch e.Problem.Status {
	case http.StatusUnauthorized:
		return target == ErrUnauthorized
	case http.StatusForbidden:
		return target == ErrForbidden
	case http.StatusNotFound:
		return target == ErrNotFound
	case http.StatusConflict:
		return target == ErrConflict
	case http.StatusUnprocessableEntity:
		return target == ErrWrong
	case http.StatusTooManyRequests, http.StatusServiceUnavailable:
		return target == ErrBusy
	case http.StatusInsufficientStorage:
		return target == ErrNoRoom
	}
	return false
}

// refusal makes an error of an answer that is no success. What is no problem document, as of a proxy, is told by its status.
func refusal(method, path string, answer *http.Response) error {
	e := &Error{Method: method, Path: path}
	media, _, _ := mime.ParseMediaType(answer.Header.Get("Content-Type"))
	data, err := io.ReadAll(io.LimitReader(answer.Body, maxProblem))
	if err != nil || media != "application/problem+json" || json.Unmarshal(data, &e.Problem) != nil {
		e.Problem = api.Problem{Type: "about:blank", Title: http.StatusText(answer.StatusCode)}
		if answer.StatusCode >= 300 && answer.StatusCode < 400 {
			e.Problem.Detail = "the daemon does not send anybody elsewhere; is this its address?"
		}
	}
	e.Problem.Status = answer.StatusCode
	return e
}
