// Package access lets people and programs in: sign-in by password or by a provider of identities,
// sessions of browsers, tokens of programs, the pages for these, limits on guessing, and the record of
// who did what with them.
//
// [Gate.Middleware] puts the dewline.Visitor of a request into its context. What a visitor may do and
// see is said by the root package and held by who answers (routes, operations, scope): nothing here
// decides that. It keeps everything through dewline.AccessStore, makes no people but the first
// administrator and those that an administrator enters, and sends nothing to anybody but the provider.
package access
