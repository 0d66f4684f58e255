// Package photos keeps the pictures of visits in a folder, by the digest of what is kept.
//
// A picture that comes in is decoded, turned the way it was held, made small enough to be kept for years,
// and encoded anew. So nothing of the device's notes is left (place, time, owner, thumbnail), and what is
// handed out later is a picture whatever came in. It keeps no word about a picture: those are in the visit,
// and who may see it is for whoever asks.
package photos
