package api

import (
	"context"
	"errors"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"dewline"
)

// Courier is the part of what sends messages that people can ask for by hand.
type Courier interface {
	// Try sends a test to a contact and returns what became of it.
	Try(ctx context.Context, contact string) error
	// NewSecret makes a new secret for a webhook.
	NewSecret(ctx context.Context, contact string) (string, error)
}

// Contact is one address of a person, without what is secret of it.
type Contact struct {
	ID      string          `json:"id" required:"false"`
	Person  string          `json:"person" doc:"Whose it is."`
	Channel dewline.Channel `json:"channel" enum:"email,webhook,chat,mqtt"`
	Address string          `json:"address" doc:"E-mail address, URL, the chat service's URL, or topic. A chat service's URL holds tokens and is shown without them; storing it as shown leaves it as it is."`
	Gather  dewline.Seconds `json:"gather_s,omitempty" doc:"How long a first alert waits for others before a message goes; 120 if absent."`
	Apart   dewline.Seconds `json:"apart_s,omitempty" doc:"The least time from one message to the next; 900 if absent."`
	Off     string          `json:"off,omitempty" doc:"Why nothing is sent there; absent if it is."`
	Monthly bool            `json:"monthly,omitempty" doc:"Whether the monthly report goes there: by e-mail, to a person with the role owner. The first goes at once."`
	Signed  bool            `json:"signed,omitempty" readOnly:"true" doc:"Whether a webhook has a secret to sign with: make one before the first message."`
}

func contactOf(c dewline.Contact) Contact {
	return Contact{c.ID, c.Person, c.Channel, shownAddress(c), c.Gather, c.Apart, c.Off, c.Monthly, len(c.Secrets) > 0}
}

// shownAddress hides the tokens that the addresses of chat services are made of.
func shownAddress(c dewline.Contact) string {
	if c.Channel != dewline.ByChat || c.Address == "" {
		return c.Address
	}
	service, _, _ := strings.Cut(c.Address, ":")
	return service + "://…"
}

type peopleOutput struct {
	Body struct {
		People []dewline.Person `json:"people" doc:"By id."`
	}
}

type contactsOutput struct {
	Body struct {
		Contacts []Contact `json:"contacts" doc:"By id."`
	}
}

type rostersOutput struct {
	Body struct {
		Rosters []dewline.Roster `json:"rosters" doc:"By id."`
	}
}

type plansOutput struct {
	Body struct {
		Plans []dewline.ContactPlan `json:"plans" doc:"By id. All that fit an alert are followed."`
	}
}

// put is a request to store something under the id in its path.
type put[T any] struct {
	ID   string `path:"id"`
	Body T
}

type nothing struct{}

type testOutput struct {
	Body struct {
		Sent   bool   `json:"sent" doc:"Whether the receiver has taken the test."`
		Detail string `json:"detail" doc:"What happened, and what to do."`
	}
}

type secretOutput struct {
	Body struct {
		Secret string `json:"secret" doc:"Shown this once. The one before signs along for a day, so that the receiver can change over."`
	}
}

func (h *handler) registerPeople(api huma.API) {
	huma.Register(api, operation("list-people", dewline.ReadCompany, "/people", "List people", "Who hears of alerts or works on them.", 503),
		func(ctx context.Context, _ *nothing) (*peopleOutput, error) {
			d, err := h.directory(ctx)
			out := &peopleOutput{}
			out.Body.People = orEmpty(d.People)
			return out, err
		})
	huma.Register(api, writing("put-person", dewline.SetUp, http.MethodPut, "/people/{id}", "Store a person", "", 404),
		func(ctx context.Context, in *put[dewline.Person]) (*nothing, error) {
			in.Body.Anonymised = 0 // that has an address of its own
			return store(ctx, h, "people", in.ID, &in.Body.ID, func(b dewline.ContactBook) error { return b.PutPerson(ctx, in.Body) })
		})
	huma.Register(api, writing("anonymise-person", dewline.SetUp, http.MethodPost, "/people/{id}/anonymise", "Take a person's name away",
		"Name, certificates and addresses go for good, and so does the name from the records of what was done. The records stay. Whatever let the person in is ended, so that of somebody who can sign in it takes the right accounts too.", 404),
		func(ctx context.Context, in *idInput) (*nothing, error) {
			return change(ctx, h, "people", func(b dewline.ContactBook) error { return b.AnonymisePerson(ctx, in.ID, dewline.MillisOf(h.Now())) })
		})

	huma.Register(api, operation("list-rosters", dewline.ReadCompany, "/rosters", "List duty rosters", "Who is on duty when.", 503),
		func(ctx context.Context, _ *nothing) (*rostersOutput, error) {
			d, err := h.directory(ctx)
			out := &rostersOutput{}
			out.Body.Rosters = orEmpty(d.Rosters)
			return out, err
		})
	huma.Register(api, writing("put-roster", dewline.SetUp, http.MethodPut, "/rosters/{id}", "Store a duty roster", "", 404),
		func(ctx context.Context, in *put[dewline.Roster]) (*nothing, error) {
			return store(ctx, h, "rosters", in.ID, &in.Body.ID, func(b dewline.ContactBook) error { return b.PutRoster(ctx, in.Body) })
		})
	huma.Register(api, writing("remove-roster", dewline.SetUp, http.MethodDelete, "/rosters/{id}", "Remove a duty roster", "Not while a plan names it.", 404),
		func(ctx context.Context, in *idInput) (*nothing, error) {
			return change(ctx, h, "rosters", func(b dewline.ContactBook) error { return b.RemoveRoster(ctx, in.ID) })
		})

	huma.Register(api, operation("list-plans", dewline.ReadCompany, "/plans", "List contact plans", "Who hears of which alerts, and who is next when nobody acknowledges.", 503),
		func(ctx context.Context, _ *nothing) (*plansOutput, error) {
			d, err := h.directory(ctx)
			out := &plansOutput{}
			out.Body.Plans = orEmpty(d.Plans)
			return out, err
		})
	huma.Register(api, writing("put-plan", dewline.SetUp, http.MethodPut, "/plans/{id}", "Store a contact plan", "", 404),
		func(ctx context.Context, in *put[dewline.ContactPlan]) (*nothing, error) {
			return store(ctx, h, "plans", in.ID, &in.Body.ID, func(b dewline.ContactBook) error { return b.PutPlan(ctx, in.Body) })
		})
	huma.Register(api, writing("remove-plan", dewline.SetUp, http.MethodDelete, "/plans/{id}", "Remove a contact plan", "", 404),
		func(ctx context.Context, in *idInput) (*nothing, error) {
			return change(ctx, h, "plans", func(b dewline.ContactBook) error { return b.RemovePlan(ctx, in.ID) })
		})
	h.registerContacts(api)
}

func (h *handler) registerContacts(api huma.API) {
	huma.Register(api, operation("list-contacts", dewline.ReadCompany, "/contacts", "List contacts", "The addresses of people and programs.", 503),
		func(ctx context.Context, _ *nothing) (*contactsOutput, error) {
			d, err := h.directory(ctx)
			out := &contactsOutput{}
			out.Body.Contacts = make([]Contact, len(d.Contacts))
			for i, c := range d.Contacts {
				out.Body.Contacts[i] = contactOf(c)
			}
			return out, err
		})
	huma.Register(api, writing("put-contact", dewline.SetUp, http.MethodPut, "/contacts/{id}", "Store a contact", "The secrets of a webhook stay.", 404), h.putContact)
	huma.Register(api, writing("remove-contact", dewline.SetUp, http.MethodDelete, "/contacts/{id}", "Remove a contact", "Not while a plan names it.", 404),
		func(ctx context.Context, in *idInput) (*nothing, error) {
			return change(ctx, h, "contacts", func(b dewline.ContactBook) error { return b.RemoveContact(ctx, in.ID) })
		})
	huma.Register(api, writing("test-contact", dewline.SetUp, http.MethodPost, "/contacts/{id}/test", "Send a test to a contact",
		"It goes at once, outside of plans, hours and holds, and the answer says what became of it.", 404), h.tryContact)
	huma.Register(api, writing("new-secret", dewline.SetUp, http.MethodPost, "/contacts/{id}/secret", "Make a new secret for a webhook",
		"Messages are signed after the Standard Webhooks specification, version 1.0.0.", 404), h.newSecret)
}

func (h *handler) directory(ctx context.Context) (dewline.Directory, error) {
	if h.Contacts == nil {
		return dewline.Directory{}, unavailable("directory of people")
	}
	d, err := h.Contacts.Directory(ctx)
	if err != nil {
		return d, h.fail(ctx, "people", err)
	}
	return d, nil
}

// change lets f change the directory.
func change(ctx context.Context, h *handler, what string, f func(dewline.ContactBook) error) (*nothing, error) {
	if h.Contacts == nil {
		return nil, unavailable("directory of people")
	}
	if err := f(h.Contacts); err != nil {
		return nil, h.fail(ctx, what, err)
	}
	return &nothing{}, nil
}

// store is change for something with an id, which the path decides.
func store(ctx context.Context, h *handler, what, path string, id *string, f func(dewline.ContactBook) error) (*nothing, error) {
	if *id != "" && *id != path {
		return nil, refused("id", "%q is not the one in the address, %q: leave it out", *id, path)
	}
	*id = path
	return change(ctx, h, what, f)
}

func (h *handler) putContact(ctx context.Context, in *put[Contact]) (*nothing, error) {
	d, err := h.directory(ctx)
	if err != nil {
		return nil, err
	}
	before, known := d.Contact(in.ID)
	b := in.Body
	c := dewline.Contact{ID: b.ID, Person: b.Person, Channel: b.Channel, Address: b.Address, Gather: b.Gather, Apart: b.Apart, Off: b.Off, Monthly: b.Monthly}
	if known && before.Channel == c.Channel {
		if c.Secrets = before.Secrets; c.Address == shownAddress(before) {
			c.Address = before.Address
		}
	}
	return store(ctx, h, "contacts", in.ID, &c.ID, func(book dewline.ContactBook) error { return book.PutContact(ctx, c) })
}

func (h *handler) tryContact(ctx context.Context, in *idInput) (*testOutput, error) {
	if h.Courier == nil {
		return nil, unavailable("way to send messages")
	}
	out := &testOutput{}
	err := h.Courier.Try(ctx, in.ID)
	failed, known := errors.AsType[*dewline.Error](err)
	switch {
	case err == nil:
		out.Body.Sent, out.Body.Detail = true, "the receiver has taken the test"
	case known && failed.Code == dewline.Unavailable && failed.Err != nil:
		out.Body.Detail = failed.Err.Error() // an answer, not a failure of ours: it is what was asked for
	default:
		return nil, h.fail(ctx, "the test", err)
	}
	return out, nil
}

func (h *handler) newSecret(ctx context.Context, in *idInput) (*secretOutput, error) {
	if h.Courier == nil {
		return nil, unavailable("way to send messages")
	}
	secret, err := h.Courier.NewSecret(ctx, in.ID)
	if err != nil {
		return nil, h.fail(ctx, "contacts", err)
	}
	out := &secretOutput{}
	out.Body.Secret = secret
	return out, nil
}

func orEmpty[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}
