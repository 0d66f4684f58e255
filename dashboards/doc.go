// Package dashboards serves what people and programs see of Dewline over HTTP: the pages, the API
// of the outer contract, the health of the service and its metrics.
//
// It reads through interfaces of the root package and through those of [Options], and keeps nothing:
// what a machine did is for the store to know, what is wrong with it was settled by analytics, and the
// life of an alert belongs to alerts. What people do on a page goes to the desks of [Options], which
// decide whether it may be done. It judges no machine; of refrigerants it only draws the dome and the
// running cycle. It opens no socket either: [New] returns a handler that cmd serves.
//
// Who comes in is the business of package access, and what they see that of package scope. A page is a
// route with the right that it takes; there is no other way to add one.
//
// Pages speak the language of who reads them: that of their account or of their browser, by package words.
// What analytics and alerts have written and keep, evidence, reasons and notices, is shown as it was written,
// in English; so are what the API answers and the papers.
//
// Pages are rendered on the server and need no script. Where the npm parts are built in (see
// package.json) they also follow what happens and let people look into the charts; without them
// the same drawings and tables stand still. Nothing comes from another host.
//
// Pages hear at once of what has changed, by server-sent events (events.go, assets/listen.js). A stream says
// what has changed and not how: the page asks again for what it shows, by the addresses that it has anyway,
// and changes it in place. Where no stream comes through, pages ask now and then. Progress is no news: while
// there is any, a page asks for that line alone, every two seconds, which takes no script of ours.
//
// The page of a visit is for where there is no signal. Its form is an ordinary one; its script keeps each
// change in the browser and sends the form's fields as they are, under an id of its own and a rising
// revision, until the service says that it has them (assets/visit.js). A service worker keeps the pages of
// calls with what they load (assets/visitworker.js). That somebody is on the way, or on site, is kept in the same
// way, with the time at which it was said. What is typed is read in one place only, here.
package dashboards
