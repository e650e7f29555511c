// Shows what the box pushes, also where no page is open. It keeps nothing and
// answers no page's requests. What it says is set before it.
"use strict";
const words = self.said;

self.addEventListener("install", () => self.skipWaiting());

self.addEventListener("push", event => {
  let note = {};
  try {
    note = event.data.json();
  } catch {
    // shown all the same: a phone that rings for nothing is better than one that does not ring
  }
  event.waitUntil(self.registration.showNotification(note.title || words.unreadable, {
    body: note.body || "",
    tag: note.tag || "standwatch",
    renotify: true, // each call rings, though it takes the place of the one before
    requireInteraction: !!note.wake,
    vibrate: note.wake ? [600, 200, 600, 200, 600] : [200],
    timestamp: note.at || Date.now(),
    lang: words.language,
    icon: "/assets/icon-192.png",
    badge: "/assets/icon-192.png",
    data: { url: note.url || "/flags" },
  }));
});

self.addEventListener("notificationclick", event => {
  event.notification.close();
  const url = new URL(event.notification.data.url, self.location.origin);
  if (url.origin !== self.location.origin) return; // only the box's own pages
  event.waitUntil((async () => {
    for (const page of await self.clients.matchAll({ type: "window", includeUncontrolled: true })) {
      if (page.url === url.href) return page.focus();
    }
    return self.clients.openWindow(url.href);
  })());
});

self.addEventListener("pushsubscriptionchange", event => {
  event.waitUntil(self.registration.showNotification(words.ended, {
    tag: "ended", lang: words.language, icon: "/assets/icon-192.png", data: { url: "/phone" },
  }));
});
