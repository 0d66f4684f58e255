// Package refrigerant keeps the refrigerant records of appliances and reckons with them: what each
// visit moved, leak rates by both methods of 40 CFR 82 subpart F and 40 CFR 84 subpart C, whether a
// trigger is exceeded, and what is due by when.
//
// [Reckon] is a pure function of what is recorded, the settings and a time; a [Ledger] brings it
// together with the store. The weighings of closed visits are in the ledger by themselves, so that
// nothing is typed twice and no figure can differ from the visit's; other entries are kept beside them.
//
// Only weights off a scale count. What readings suggest about a charge never enters, not even as a
// remark, and a figure that cannot be computed is said to be so with its reason.
//
// It gives no legal advice: it computes after its authors' understanding of the rules, with settings
// that anyone can change. It sends no reports and no notices, and does not decide that a leak is
// repaired: people say so.
package refrigerant
