// On the page where people sign in: whoever left has their pages of calls forgotten by the phone. What they
// typed and could not send stays, for it is nowhere else.
"use strict";
if (window.caches) caches.delete("dewline-visits");
