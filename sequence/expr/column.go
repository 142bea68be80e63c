package expr

import (
	"math"

	"fourwire/quantity/measured"
)

// column compiles an argument that is a column: a name, or an expression worked out row by row.
func (e *Expr) column(n *node) func(Env) ([]measured.Value, error) {
	if n.op == opName {
		return func(env Env) ([]measured.Value, error) {
			values, ok := env.Column(n.name)
			if !ok {
				return nil, e.fault(n.at, "there is no column %s", n.name)
			}
			return values, nil
		}
	}
	names := n.names()
	inner := e.number(n)
	return func(env Env) ([]measured.Value, error) {
		row := rowEnv{Env: env, columns: map[string][]measured.Value{}}
		length := -1
		for _, name := range names {
			if values, ok := env.Column(name); ok {
				row.columns[name] = values
				length = max(length, len(values))
			}
		}
		if length < 0 {
			return nil, e.fault(n.at, "there is no column here")
		}
		out := make([]measured.Value, length)
		for row.at = range out {
			v, err := inner(&row)
			if err != nil {
				// a row without a value, or with a division by zero, has no value to offer
				v = measured.Value{X: math.NaN()}
			}
			out[row.at] = v
		}
		return out, nil
	}
}

// rowEnv sees one row of the columns.
type rowEnv struct {
	Env
	columns map[string][]measured.Value
	at      int
}

func (r *rowEnv) Value(name string) (measured.Value, bool) {
	values, ok := r.columns[name]
	if !ok {
		return r.Env.Value(name)
	}
	if r.at >= len(values) {
		return measured.Value{X: math.NaN()}, true
	}
	return values[r.at], true
}

// Ledger is that of the environment around.
func (r *rowEnv) Ledger() *measured.Ledger {
	if keeper, ok := r.Env.(LedgerKeeper); ok {
		return keeper.Ledger()
	}
	return nil
}
