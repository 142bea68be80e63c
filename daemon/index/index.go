// Package index finds records: a table of what is in a folder of records, in a SQLite file that can be thrown away at any time, since
// the folder is the truth and the table is made from it again.
package index

import (
	"context"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	_ "modernc.org/sqlite" // the driver
)

// Row is what the table knows of one record.
type Row struct {
	ID        string // name of its folder
	Manifest  string // id in its manifest
	Job       string
	Title     string
	Sequence  string
	Bench     string
	Device    string // serial number of the device under test
	Operator  string
	Settings  []string
	Serials   []string // of the instruments
	Filed     time.Time
	Started   time.Time
	Seconds   float64
	Points    int
	Outcome   string
	Simulated bool
	Finished  bool
	Reason    string
	Stamp     int64 // changes when the record does
}

// Query is a search. The zero value finds everything.
type Query struct {
	Words    string // each must occur, at the beginning of a word
	Outcome  string
	Sequence string
	From, To time.Time // filed at or after, and before
	After    string    // Next of the page before
	Limit    int       // 0 is 100
}

// Page is one page of what was found, latest first.
type Page struct {
	Rows  []Row
	Total int    // counted up to 10,000
	Next  string // empty: this is the last
}

// Index is the table. All methods may be called by several goroutines.
type Index struct{ db *sql.DB }

const layout = 3 // of the tables: another one in the file has it made anew

// mostCounted is how far a search counts what it finds: a page that says "more than 10000" is as good, and comes at once.
const mostCounted = 10_000

// schema gives a record the number under which its words are found so that the latest has the highest: its time of filing in microseconds, times 1000,
// and a little more where two share one. A search then reads the words from their end and stops when the page is full. Outcome and sequence are
// words, too, in a column of their own.
const schema = `
CREATE TABLE IF NOT EXISTS records (
  n INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, manifest TEXT, job TEXT, title TEXT, sequence TEXT, bench TEXT, device TEXT, operator TEXT,
  settings TEXT, serials TEXT, filed INTEGER NOT NULL, started INTEGER, seconds REAL, points INTEGER, outcome TEXT,
  simulated INTEGER, finished INTEGER, reason TEXT, stamp INTEGER NOT NULL);
CREATE INDEX IF NOT EXISTS by_outcome ON records (outcome, n);
CREATE INDEX IF NOT EXISTS by_sequence ON records (sequence, n);
CREATE VIRTUAL TABLE IF NOT EXISTS words USING fts5 (text, tags, content='', contentless_delete=1, prefix='2 3 4 5');
`

// Open opens the table in a file, or makes it. One that cannot be read is made anew, empty.
func Open(file string) (*Index, error) {
	x, err := open(file)
	if err == nil {
		return x, nil
	}
	for _, end := range []string{"", "-wal", "-shm"} {
		if gone := os.Remove(file + end); gone != nil && !errors.Is(gone, os.ErrNotExist) {
			return nil, errors.Join(err, gone)
		}
	}
	return open(file)
}

func open(file string) (*Index, error) {
	options := url.Values{"_pragma": {"journal_mode(WAL)", "synchronous(NORMAL)", "busy_timeout(5000)", "cache_size(-16000)"}}
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: file}).EscapedPath()+"?"+options.Encode())
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(4)
	x := &Index{db}
	if err := x.prepare(); err != nil {
		return nil, errors.Join(fmt.Errorf("the index of records %s: %w", file, err), db.Close())
	}
	return x, nil
}

func (x *Index) prepare() error {
	var version, tables int
	if err := x.db.QueryRow("PRAGMA user_version").Scan(&version); err != nil {
		return err
	}
	if err := x.db.QueryRow("SELECT count(*) FROM sqlite_master").Scan(&tables); err != nil {
		return err
	}
	if tables > 0 && version != layout {
		return fmt.Errorf("it has layout %d, not %d", version, layout)
	}
	if _, err := x.db.Exec(schema); err != nil {
		return err
	}
	_, err := x.db.Exec("PRAGMA user_version = " + strconv.Itoa(layout))
	return err
}

// Close closes the file.
func (x *Index) Close() error { return x.db.Close() }

// Put enters records, each in place of what the table has of it.
func (x *Index) Put(ctx context.Context, rows ...Row) error {
	tx, err := x.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // nothing after a commit
	for _, r := range rows {
		if err := put(ctx, tx, r); err != nil {
			return fmt.Errorf("record %s: %w", r.ID, err)
		}
	}
	return tx.Commit()
}

func put(ctx context.Context, tx *sql.Tx, r Row) error {
	if err := remove(ctx, tx, r.ID); err != nil {
		return err
	}
	settings, serials := strings.Join(r.Settings, "\n"), strings.Join(r.Serials, "\n")
	n, err := numberFor(ctx, tx, r.Filed)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `INSERT INTO records (n, id, manifest, job, title, sequence, bench, device, operator, settings, serials, filed, started, seconds, points,
  outcome, simulated, finished, reason, stamp) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)`,
		n, r.ID, r.Manifest, r.Job, r.Title, r.Sequence, r.Bench, r.Device, r.Operator, settings, serials, r.Filed.UnixMicro(), r.Started.UnixMicro(), r.Seconds, r.Points,
		r.Outcome, r.Simulated, r.Finished, r.Reason, r.Stamp)
	if err != nil {
		return err
	}
	text := strings.Join([]string{r.Title, r.Sequence, r.Bench, r.Device, r.Operator, settings, serials, r.ID, r.Job, r.Reason}, "\n")
	_, err = tx.ExecContext(ctx, "INSERT INTO words (rowid, text, tags) VALUES (?, ?, ?)", n, text, tag('o', r.Outcome)+" "+tag('s', r.Sequence))
	return err
}

// tag is a text as one word.
func tag(kind byte, text string) string { return string(kind) + hex.EncodeToString([]byte(text)) }

const perMicrosecond = 1000

// numberFor is a number for a record filed at a time that no other has.
func numberFor(ctx context.Context, tx *sql.Tx, filed time.Time) (n int64, err error) {
	from := filed.UnixMicro() * perMicrosecond
	var last sql.NullInt64
	err = tx.QueryRowContext(ctx, "SELECT max(n) FROM records WHERE n >= ? AND n < ?", from, from+perMicrosecond).Scan(&last)
	if err == nil && last.Valid {
		if from = last.Int64 + 1; from%perMicrosecond == 0 {
			err = errors.New("a thousand records were filed in one microsecond")
		}
	}
	return from, err
}

func remove(ctx context.Context, tx *sql.Tx, id string) error {
	if _, err := tx.ExecContext(ctx, "DELETE FROM words WHERE rowid = (SELECT n FROM records WHERE id = ?)", id); err != nil {
		return err
	}
	_, err := tx.ExecContext(ctx, "DELETE FROM records WHERE id = ?", id)
	return err
}

// Remove takes records out.
func (x *Index) Remove(ctx context.Context, ids ...string) error {
	tx, err := x.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // nothing after a commit
	for _, id := range ids {
		if err := remove(ctx, tx, id); err != nil {
			return err
		}
	}
	return tx.Commit()
}

// Stamps gives the stamp of every record in the table.
func (x *Index) Stamps(ctx context.Context) (map[string]int64, error) {
	rows, err := x.db.QueryContext(ctx, "SELECT id, stamp FROM records")
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }() // an error would be that of rows.Err
	out := map[string]int64{}
	for rows.Next() {
		var id string
		var stamp int64
		if err := rows.Scan(&id, &stamp); err != nil {
			return nil, err
		}
		out[id] = stamp
	}
	return out, rows.Err()
}

const columns = "r.id, r.manifest, r.job, r.title, r.sequence, r.bench, r.device, r.operator, r.settings, r.serials, r.filed, r.started, r.seconds, r.points, r.outcome, " +
	"r.simulated, r.finished, r.reason, r.stamp, r.n"

// Get gives one record; ok is false where the table does not have it.
func (x *Index) Get(ctx context.Context, id string) (r Row, ok bool, err error) {
	r, _, err = scan(x.db.QueryRowContext(ctx, "SELECT "+columns+" FROM records r WHERE r.id = ?", id))
	if errors.Is(err, sql.ErrNoRows) {
		return Row{}, false, nil
	}
	return r, err == nil, err
}

type scanner interface{ Scan(...any) error }

func scan(from scanner) (r Row, n int64, err error) {
	var settings, serials string
	var filed, started int64
	err = from.Scan(&r.ID, &r.Manifest, &r.Job, &r.Title, &r.Sequence, &r.Bench, &r.Device, &r.Operator, &settings, &serials, &filed, &started, &r.Seconds, &r.Points,
		&r.Outcome, &r.Simulated, &r.Finished, &r.Reason, &r.Stamp, &n)
	r.Filed, r.Started = time.UnixMicro(filed).UTC(), time.UnixMicro(started).UTC()
	if settings != "" {
		r.Settings = strings.Split(settings, "\n")
	}
	if serials != "" {
		r.Serials = strings.Split(serials, "\n")
	}
	return r, n, err
}

// ErrPage says that a search was asked to go on behind something that is no end of a page.
var ErrPage = errors.New("that is no end of a page")

// Search finds records.
func (x *Index) Search(ctx context.Context, q Query) (Page, error) {
	if q.Limit <= 0 {
		q.Limit = 100
	}
	from, where, args := "records r", []string{"1"}, []any{}
	and := func(condition string, value any) {
		where, args = append(where, condition), append(args, value)
	}
	number := "r.n"
	if match := matchOf(q.Words); match != "" {
		for _, t := range []struct {
			kind byte
			text string
		}{{'o', q.Outcome}, {'s', q.Sequence}} {
			if t.text != "" {
				match += ` AND tags : "` + tag(t.kind, t.text) + `"`
			}
		}
		from, number = "words w CROSS JOIN records r ON r.n = w.rowid", "w.rowid"
		and("words MATCH ?", match)
	} else {
		if q.Outcome != "" {
			and("r.outcome = ?", q.Outcome)
		}
		if q.Sequence != "" {
			and("r.sequence = ?", q.Sequence)
		}
	}
	if !q.From.IsZero() {
		and(number+" >= ?", q.From.UnixMicro()*perMicrosecond)
	}
	if !q.To.IsZero() {
		and(number+" < ?", q.To.UnixMicro()*perMicrosecond)
	}
	var page Page
	counted := "SELECT count(*) FROM (SELECT 1 FROM " + strings.TrimSuffix(from, " CROSS JOIN records r ON r.n = w.rowid") + " WHERE " + strings.Join(where, " AND ") + " LIMIT ?)"
	if err := x.db.QueryRowContext(ctx, counted, append(slices.Clone(args), mostCounted)...).Scan(&page.Total); err != nil {
		return page, err
	}
	if q.After != "" {
		last, err := strconv.ParseInt(q.After, 36, 64)
		if err != nil {
			return page, ErrPage
		}
		and(number+" < ?", last)
	}
	rows, err := x.db.QueryContext(ctx, "SELECT "+columns+" FROM "+from+" WHERE "+strings.Join(where, " AND ")+" ORDER BY "+number+" DESC LIMIT ?", append(args, q.Limit+1)...)
	if err != nil {
		return page, err
	}
	defer func() { _ = rows.Close() }() // an error would be that of rows.Err
	var last int64
	for rows.Next() {
		r, n, err := scan(rows)
		if err != nil {
			return page, err
		}
		if len(page.Rows) == q.Limit {
			page.Next = strconv.FormatInt(last, 36)
			break
		}
		page.Rows, last = append(page.Rows, r), n
	}
	return page, rows.Err()
}

// matchOf makes a search expression of words: each in quotes, so that nothing in it means anything, and at the beginning of a word.
func matchOf(words string) string {
	var out []string
	for _, w := range strings.Fields(words) {
		w = strings.ReplaceAll(strings.ReplaceAll(w, `"`, `""`), "\x00", "")
		if strings.ContainsFunc(w, func(r rune) bool {
			return r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r > 127
		}) {
			out = append(out, `"`+w+`"*`)
		}
		if len(out) == 20 {
			break
		}
	}
	if len(out) == 0 {
		return ""
	}
	return "text : (" + strings.Join(out, " AND ") + ")"
}
