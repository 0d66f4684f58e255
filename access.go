package dewline

import (
	"context"
	"slices"
)

// Right is something that a visitor may do.
type Right string

// The rights. Reading is always of what the visitor's owner has, where the visitor has one.
const (
	Anyone       Right = "anyone"   // what strangers may as well
	ReadMachines Right = "read"     // how machines do, their alerts, what was done; one's own account
	ReadCompany  Right = "company"  // the service company's own: people, contacts, plans, rosters, vans, figures over all owners
	TakeRecords  Right = "records"  // the refrigerant records of all machines that one sees, at once
	WorkOnAlerts Right = "work"     // acknowledge, shelve, dismiss, make and change service calls
	WorkOnVisits Right = "visit"    // go to a call, record and close a visit
	SetUp        Right = "set-up"   // enrol, gateways, who is told of what
	GrantAccess  Right = "accounts" // who may sign in, as what
)

// rights says what each role may do. Who has none of a role's rights is not listed.
var rights = map[Role][]Right{
	RoleAdministrator: {ReadMachines, ReadCompany, TakeRecords, WorkOnAlerts, WorkOnVisits, SetUp, GrantAccess},
	RoleManager:       {ReadMachines, ReadCompany, TakeRecords, WorkOnAlerts, WorkOnVisits, SetUp},
	RoleDispatcher:    {ReadMachines, ReadCompany, TakeRecords, WorkOnAlerts, WorkOnVisits},
	RoleTechnician:    {ReadMachines, ReadCompany, WorkOnVisits},
	RoleOwner:         {ReadMachines, TakeRecords},
	RoleProgram:       {ReadMachines},
}

// companys are the rights that nobody has who sees one owner's machines only.
var companys = []Right{ReadCompany, SetUp, GrantAccess}

// Visitor is who asks for a page, or for something of the API.
type Visitor struct {
	Person string // the id of a Person
	Name   string // under which what they do is kept
	Role   Role
	Owner  string // the owner whose machines are all that they may see; "" for the service company's own people
	Units  Units

	Language string // of pages, "" for what the browser asks for
}

// May says whether the visitor has a right.
func (v Visitor) May(right Right) bool {
	return right == Anyone || slices.Contains(rights[v.Role], right) && (v.Owner == "" || !slices.Contains(companys, right))
}

// SeesAll says whether the visitor may know of every owner's machines.
func (v Visitor) SeesAll() bool { return v.May(ReadMachines) && v.Owner == "" && v.Role != RoleOwner }

// Sees says whether the visitor may know of what belongs to an owner.
func (v Visitor) Sees(owner string) bool {
	return v.SeesAll() || v.May(ReadMachines) && v.Owner != "" && v.Owner == owner
}

// SeesSite says whether the visitor may know of a site.
func (v Visitor) SeesSite(site *Site) bool { return v.Sees(site.Owner) }

// FleetSeen returns the part of a fleet that the visitor may know of, which may be the fleet itself.
func (v Visitor) FleetSeen(f *Fleet) *Fleet {
	if v.SeesAll() {
		return f
	}
	var owners []Owner
	for _, o := range f.Owners {
		if v.Sees(o.ID) {
			owners = append(owners, o)
		}
	}
	var sites []Site
	for i := range f.Sites {
		if v.SeesSite(&f.Sites[i]) {
			sites = append(sites, f.Sites[i])
		}
	}
	return NewFleet(owners, sites)
}

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
