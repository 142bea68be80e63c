// Package uncertain says what the error terms of a measured value amount to: effective degrees of freedom, expanded
// uncertainty with a stated coverage, the ranked budget, and a Monte-Carlo propagation that checks the linear one.
//
// Formulas: JCGM 100:2008 (GUM) clauses 4 to 6 and annex G; JCGM 101:2008 (GUM Supplement 1) for Monte Carlo.
package uncertain
