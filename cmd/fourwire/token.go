package main

import (
	"errors"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"fourwire/daemon/access"
)

func (a *app) tokenCommand() *cobra.Command {
	var file, role string
	cmd := &cobra.Command{
		Use:   "token NAME",
		Short: "Make a token for a daemon that is reached from other computers",
		Long: `Makes a token, prints it once, and adds its hash to the file that "fourwire serve --tokens" reads; a running daemon takes
it from there. The token itself is kept nowhere: whoever loses it gets a new one. To take it back, delete its line from the file.

Roles: a viewer looks at everything; an operator also submits and stops jobs, arms the bench and switches outputs off; an admin also
reads the audit log.

Exit status: 0 done, 3 the input is wrong.`,
		Example: `  fourwire token ada --role operator --tokens tokens.txt`,
		Args:    cobra.ExactArgs(1),
		RunE:    func(_ *cobra.Command, args []string) error { return a.token(args[0], role, file) },
	}
	cmd.Flags().StringVar(&file, "tokens", "", "file of tokens, made where it is missing")
	cmd.Flags().StringVar(&role, "role", "viewer", "viewer, operator or admin")
	return cmd
}

func (a *app) token(name, role, file string) error {
	if file == "" {
		return &failure{status: exitInput, err: errors.New("--tokens FILE is wanted"), hint: `see "fourwire token --help"`}
	}
	r, err := access.ParseRole(role)
	if err != nil {
		return wrong(err)
	}
	text, line, err := access.NewToken(name, r)
	if err != nil {
		return wrong(err)
	}
	f, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return wrong(err)
	}
	_, err = fmt.Fprintln(f, line)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return wrong(err)
	}
	if a.json {
		return a.document(map[string]string{"token": text, "name": name, "role": r.String()})
	}
	fmt.Fprintln(a.out, text)
	return nil
}
