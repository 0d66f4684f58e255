package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"text/tabwriter"
	"time"

	"golang.org/x/term"

	"dewline"
	"dewline/alerts/sqlstore"
	"dewline/dashboards/access"
	"dewline/dashboards/access/password"
)

// userCommand keeps who may sign in. It works beside a running service, which sees a change with the
// next request.
type userCommand struct {
	Add      userAdd      `cmd:"" help:"Enter a person who may sign in, or give one who is there a sign-in."`
	List     userList     `cmd:"" help:"List who may sign in."`
	Password userPassword `cmd:"" help:"Set a password, which ends every session of theirs."`
	Disable  userDisable  `cmd:"" help:"Keep somebody out: sessions end, tokens open nothing."`
	Enable   userEnable   `cmd:"" help:"Let somebody in again."`
	Token    userToken    `cmd:"" help:"Make, list and revoke the tokens by which programs ask."`
}

type userData struct {
	Data string `required:"" placeholder:"DIR" help:"The service's data folder."`
}

type userOne struct {
	userData
	ID string `arg:"" help:"The person's id: a-z, 0-9 and -."`
}

type (
	userAdd struct {
		userOne
		Name  string `placeholder:"NAME" help:"The person's name."`
		Role  string `placeholder:"ROLE" help:"administrator, manager, dispatcher, technician, owner or program."`
		Login string `placeholder:"LOGIN" help:"What they sign in as: a word or an e-mail address; their id if absent."`
		Owner string `placeholder:"OWNER" help:"The owner whose machines are all that they see."`
		Units string `placeholder:"UNITS" help:"metric or us."`
		Link  bool   `help:"Print a link by which they set the password themselves."`
		URL   string `name:"url" placeholder:"URL" help:"Where people reach the pages, for the link."`
	}
	userList     struct{ userData }
	userPassword struct {
		userOne
		Link bool   `help:"Print a link by which they set it themselves."`
		URL  string `name:"url" placeholder:"URL" help:"Where people reach the pages, for the link."`
	}
	userDisable struct{ userOne }
	userEnable  struct{ userOne }
	userToken   struct {
		Add    tokenAdd    `cmd:"" help:"Make a token and print it once."`
		List   tokenList   `cmd:"" help:"List a person's tokens."`
		Revoke tokenRevoke `cmd:"" help:"End a token."`
	}
	tokenAdd struct {
		userOne
		Name string `arg:"" help:"What the token is for."`
	}
	tokenList   struct{ userOne }
	tokenRevoke struct {
		userOne
		Token string `arg:"" help:"The token's id, as list shows it."`
	}
)

// byCommand is what the audit log has of a command.
func byCommand(did dewline.AuditDid, of, detail string) dewline.AuditEntry {
	return dewline.AuditEntry{At: dewline.StampOf(time.Now()), Did: did, Of: of, Detail: detail, From: "command line"}
}

// with opens the database and does what is to be done.
func (c *userData) with(ctx context.Context, do func(*sqlstore.Store) error) error {
	store, err := openDatabase(ctx, c.Data, sqlstore.Options{})
	if err != nil {
		return err
	}
	return errors.Join(do(store), store.Close())
}

// Run enters a person.
func (c *userAdd) Run(ctx context.Context, std *streams) error {
	return c.with(ctx, func(store *sqlstore.Store) error {
		book, err := store.Directory(ctx)
		if err != nil {
			return err
		}
		p, there := book.Person(c.ID)
		if there {
			if _, err := store.AccountOf(ctx, c.ID); err == nil {
				return fmt.Errorf("%s has a sign-in: see dewline user password, or People on the pages", c.ID)
			}
		}
		p.ID = c.ID
		for _, given := range []struct {
			from string
			to   *string
		}{{c.Name, &p.Name}, {c.Role, (*string)(&p.Role)}, {c.Owner, &p.Owner}, {c.Units, (*string)(&p.Units)}} {
			if given.from != "" {
				*given.to = given.from
			}
		}
		signIn := dewline.SignIn{Person: c.ID, Login: dewline.CleanLogin(c.Login), Changed: dewline.StampOf(time.Now())}
		if signIn.Login == "" {
			signIn.Login = c.ID
		}
		if err := errors.Join(p.Validate(), signIn.Validate()); err != nil {
			return err
		}
		if !c.Link {
			if signIn.Hash, err = askPassword(ctx, std, signIn.Login); err != nil {
				return err
			}
		}
		if err := store.PutPerson(ctx, p); err != nil {
			return err
		}
		if err := store.PutSignIn(ctx, signIn, byCommand(dewline.AuditAccount, c.ID, string(p.Role))); err != nil {
			return err
		}
		fmt.Fprintf(std.out, "%s signs in as %s, %s\n", p.Name, signIn.Login, p.Role)
		if c.Link {
			return printLink(ctx, std, store, c.ID, c.URL)
		}
		return nil
	})
}

// askPassword reads a password: twice from a terminal that does not show it, else one line.
func askPassword(ctx context.Context, std *streams, login string) (hash string, err error) {
	var typed string
	if f, ok := std.in.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		var again string
		for _, ask := range []struct {
			text string
			to   *string
		}{{fmt.Sprintf("Password, %d characters or more: ", password.MinCharacters), &typed}, {"The same again: ", &again}} {
			fmt.Fprint(std.err, ask.text)
			line, err := term.ReadPassword(int(f.Fd()))
			fmt.Fprintln(std.err)
			if err != nil {
				return "", err
			}
			*ask.to = string(line)
		}
		if typed != again {
			return "", errors.New("the two are not the same")
		}
	} else {
		line, err := bufio.NewReader(io.LimitReader(std.in, password.MaxBytes+2)).ReadString('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return "", err
		}
		typed = strings.TrimRight(line, "\r\n")
	}
	if err := password.Check(typed, login); err != nil {
		return "", err
	}
	return password.New(1).Hash(ctx, typed)
}

func printLink(ctx context.Context, std *streams, store *sqlstore.Store, id, url string) error {
	path, err := access.Invite(ctx, store, id, dewline.MillisOf(time.Now()), byCommand("", "", ""))
	if err != nil {
		return err
	}
	fmt.Fprintln(std.out, strings.TrimSuffix(url, "/")+path)
	fmt.Fprintln(std.err, "The link is shown this once, works once, and for an hour. It stands below the address of the pages.")
	return nil
}

// Run sets a password.
func (c *userPassword) Run(ctx context.Context, std *streams) error {
	return c.with(ctx, func(store *sqlstore.Store) error {
		a, err := store.AccountOf(ctx, c.ID)
		if err != nil {
			return noAccount(c.ID, err)
		}
		if c.Link {
			return printLink(ctx, std, store, c.ID, c.URL)
		}
		if a.SignIn.Hash, err = askPassword(ctx, std, a.SignIn.Login); err != nil {
			return err
		}
		a.SignIn.Changed = dewline.StampOf(time.Now())
		if err := store.PutSignIn(ctx, a.SignIn, byCommand(dewline.AuditPassword, c.ID, "")); err != nil {
			return err
		}
		fmt.Fprintf(std.out, "the password of %s is set, and their sessions are ended\n", c.ID)
		return nil
	})
}

func noAccount(id string, err error) error {
	if dewline.CodeOf(err) == dewline.NotFound {
		return fmt.Errorf("%s has no sign-in: see dewline user list", id)
	}
	return err
}

// Run keeps somebody out.
func (c *userDisable) Run(ctx context.Context, std *streams) error {
	return c.set(ctx, std, dewline.StampOf(time.Now()), "closed")
}

// Run lets somebody in again.
func (c *userEnable) Run(ctx context.Context, std *streams) error {
	return c.set(ctx, std, 0, "opened")
}

func (c *userOne) set(ctx context.Context, std *streams, disabled dewline.Stamp, word string) error {
	return c.with(ctx, func(store *sqlstore.Store) error {
		a, err := store.AccountOf(ctx, c.ID)
		if err != nil {
			return noAccount(c.ID, err)
		}
		a.SignIn.Disabled, a.SignIn.Changed = disabled, dewline.StampOf(time.Now())
		if err := store.PutSignIn(ctx, a.SignIn, byCommand(dewline.AuditAccount, c.ID, word)); err != nil {
			return err
		}
		fmt.Fprintf(std.out, "the account of %s is %s\n", c.ID, word)
		return nil
	})
}

// Run lists who may sign in.
func (c *userList) Run(ctx context.Context, std *streams) error {
	return c.with(ctx, func(store *sqlstore.Store) error {
		all, err := store.Accounts(ctx)
		if err != nil {
			return err
		}
		table := tabwriter.NewWriter(std.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(table, "id\tname\trole\towner\tlogin\tsign-in")
		for _, a := range all {
			state := "open"
			switch {
			case a.SignIn.Disabled != 0:
				state = "closed since " + stamp(dewline.Millis(a.SignIn.Disabled))
			case a.SignIn.Hash == "":
				state = "no password yet"
			}
			owner := a.Person.Owner
			if owner == "" {
				owner = "-"
			}
			fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\t%s\n", a.Person.ID, a.Person.Shown(), a.Person.Role, owner, a.SignIn.Login, state)
		}
		return table.Flush()
	})
}

// Run makes a token.
func (c *tokenAdd) Run(ctx context.Context, std *streams) error {
	return c.with(ctx, func(store *sqlstore.Store) error {
		token, err := access.NewToken(ctx, store, c.ID, c.Name, dewline.MillisOf(time.Now()), byCommand("", "", ""))
		if err != nil {
			return err
		}
		fmt.Fprintln(std.out, token)
		fmt.Fprintln(std.err, "The token is shown this once and kept nowhere. Programs send it as Authorization: Bearer.")
		return nil
	})
}

// Run lists a person's tokens.
func (c *tokenList) Run(ctx context.Context, std *streams) error {
	return c.with(ctx, func(store *sqlstore.Store) error {
		list, err := store.Tokens(ctx, c.ID)
		if err != nil {
			return err
		}
		table := tabwriter.NewWriter(std.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(table, "token\tfor\tmade\tused last, about\trevoked")
		for _, t := range list {
			fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\n", t.ID, t.Name, stamp(dewline.Millis(t.Made)), stamp(dewline.Millis(t.Used)), stamp(dewline.Millis(t.Revoked)))
		}
		return table.Flush()
	})
}

// Run ends a token.
func (c *tokenRevoke) Run(ctx context.Context, std *streams) error {
	return c.with(ctx, func(store *sqlstore.Store) error {
		now := time.Now()
		if err := store.RevokeToken(ctx, c.ID, c.Token, dewline.MillisOf(now), byCommand(dewline.AuditRevoked, c.ID, c.Token)); err != nil {
			return err
		}
		fmt.Fprintf(std.out, "token %s of %s opens nothing any more\n", c.Token, c.ID)
		return nil
	})
}
