// Package api is the daemon's door: HTTP with JSON, described by an OpenAPI document that is made from the same table of routes
// and the same Go types as the answers.
//
// What is not in the table is refused: unknown paths, methods, parameters, members and media types. The work behind the door is
// a [Service], which the daemon is; who may do what is asked of package access.
package api
