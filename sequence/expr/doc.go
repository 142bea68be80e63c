// Package expr gives the expressions of a sequence: arithmetic, comparisons and functions over quantities, checked for
// dimensions when a file is read, evaluated over measured values so that uncertainty comes along.
//
// Text becomes an [Expr] by [Parse]: quantities such as "88 %" or "0.5 V/us" and nodes such as "v(dut.out)" are cut out
// first, an expression library's parser makes a syntax tree of the rest, and only what a sequence needs of that tree is
// let in. [Expr.Check] finds the dimension of every part in a [Scope]. [Expr.Eval] works out the value in an [Env], by
// closures that were made when the text was read; every operation propagates error terms linearly (JCGM 100:2008, 5.1).
package expr
