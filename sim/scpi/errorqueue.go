package scpi

import "errors"

// errorQueue is the first-in, first-out queue behind SYSTem:ERRor?. When it is full the newest entry is replaced by
// -350 and further errors are lost until one has been read (SCPI-1999 clause 21.8).
type errorQueue struct {
	entries []Error // ring
	first   int
	count   int
}

// push adds an entry and tells whether the overflow mark was put instead.
func (q *errorQueue) push(e Error) (overflowed bool) {
	if q.count < len(q.entries) {
		q.entries[(q.first+q.count)%len(q.entries)] = e
		q.count++
		return false
	}
	q.entries[(q.first+q.count-1)%len(q.entries)] = Error{Code: QueueOverflow}
	return true
}

// pop removes the oldest entry; an empty queue gives NoError.
func (q *errorQueue) pop() Error {
	if q.count == 0 {
		return Error{}
	}
	e := q.entries[q.first]
	q.entries[q.first] = Error{}
	q.first = (q.first + 1) % len(q.entries)
	q.count--
	return e
}

func (q *errorQueue) clear() {
	for q.count > 0 {
		q.pop()
	}
}

// asError turns what a handler returned into an entry. An error that is neither a Code nor an Error becomes -300 with
// its text as detail.
func asError(err error) Error {
	if c, ok := err.(Code); ok {
		return Error{Code: c}
	}
	var e Error
	if errors.As(err, &e) {
		return e
	}
	var c Code
	if errors.As(err, &c) {
		return Error{Code: c, Detail: err.Error()}
	}
	return Error{Code: DeviceSpecificError, Detail: err.Error()}
}
