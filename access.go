package dewline

import (
	"context"
	"slices"
)

// Right is something that a visitor may do.
type Right string

// The rights. Reading is always of what the visitor's owner has, where the visitor has one.
const (
	ReadMachines Right = "read"     // how machines do, their alerts, what was done
	WorkOnAlerts Right = "work"     // acknowledge, shelve, dismiss, make and change service calls
	WorkOnVisits Right = "visit"    // go to a call, record and close a visit
	SetUp        Right = "set-up"   // enrol, gateways, who is told of what
	GrantAccess  Right = "accounts" // who may sign in, as what
)

// rights says what each role may do. Who has none of a role's rights is not listed.
var rights = map[Role][]Right{
	RoleAdministrator: {ReadMachines, WorkOnAlerts, WorkOnVisits, SetUp, GrantAccess},
	RoleManager:       {ReadMachines, WorkOnAlerts, WorkOnVisits, SetUp},
	RoleDispatcher:    {ReadMachines, WorkOnAlerts, WorkOnVisits},
	RoleTechnician:    {ReadMachines, WorkOnVisits},
	RoleOwner:         {ReadMachines},
	RoleProgram:       {ReadMachines},
}

// Visitor is who asks for a page, or for something of the API.
type Visitor struct {
	Person string // the id of a Person
	Name   string // under which what they do is kept
	Role   Role
	Owner  string // the owner whose machines are all that they may see; "" for the service company's own people
	Units  Units
}

// May says whether the visitor has a right.
func (v Visitor) May(right Right) bool { return slices.Contains(rights[v.Role], right) }

// Sees says whether the visitor may know of what belongs to an owner.
func (v Visitor) Sees(owner string) bool {
	return v.May(ReadMachines) && (v.Owner == "" && v.Role != RoleOwner || v.Owner != "" && v.Owner == owner)
}

// SeesSite says whether the visitor may know of a site.
func (v Visitor) SeesSite(site *Site) bool { return v.Sees(site.Owner) }

type visitorKey struct{}

// WithVisitor returns a context of a request of the visitor.
func WithVisitor(ctx context.Context, v Visitor) context.Context {
	return context.WithValue(ctx, visitorKey{}, v)
}

// VisitorOf returns whose request it is. Who has not signed in has no rights.
func VisitorOf(ctx context.Context) Visitor {
	v, _ := ctx.Value(visitorKey{}).(Visitor)
	return v
}
