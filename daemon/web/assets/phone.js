// The page This phone: says whether this browser can be told by push, and
// subscribes it after a tap.
"use strict";
(function () {
  const place = document.querySelector("[data-phone]");
  if (!place) return;
  const form = place.querySelector("form");
  const button = form.querySelector("button");
  const scope = "/phone/";

  const say = why => {
    for (const p of place.querySelectorAll("[data-why]")) p.hidden = p.dataset.why !== why;
    form.hidden = why !== "ready" && why !== "asked" && why !== "service";
  };
  const bytes = text => Uint8Array.from(atob(text.replace(/-/g, "+").replace(/_/g, "/")), c => c.charCodeAt(0));
  const text = buffer => btoa(String.fromCharCode(...new Uint8Array(buffer))).replace(/\+/g, "-").replace(/\//g, "_").replace(/=+$/, "");

  const apple = /iP(hone|ad|od)/.test(navigator.userAgent) || (navigator.maxTouchPoints > 1 && /Mac/.test(navigator.platform));
  const installed = matchMedia("(display-mode: standalone)").matches || navigator.standalone === true;

  // The box knows this browser's subscription by the hash of its address.
  const mark = async subscription => {
    const sum = new Uint8Array(await crypto.subtle.digest("SHA-256", new TextEncoder().encode(subscription.endpoint)));
    const id = Array.from(sum.slice(0, 8), b => b.toString(16).padStart(2, "0")).join("");
    const row = document.querySelector(`[data-id="${id}"]`);
    if (!row) return false;
    row.querySelector("[data-here]").hidden = false;
    return true;
  };

  const look = async () => {
    if (!window.isSecureContext) return say("insecure");
    if (!("serviceWorker" in navigator) || !("PushManager" in window) || !("Notification" in window)) {
      return say(apple && !installed ? "install" : "none");
    }
    if (Notification.permission === "denied") return say("denied");
    const known = await navigator.serviceWorker.getRegistration(scope);
    const subscription = known && await known.pushManager.getSubscription();
    return say(subscription && await mark(subscription) ? "told" : "ready");
  };

  const started = registration => new Promise((done, failed) => {
    const worker = registration.installing || registration.waiting || registration.active;
    if (worker.state === "activated") return done();
    worker.addEventListener("statechange", () => {
      if (worker.state === "activated") done();
      if (worker.state === "redundant") failed();
    });
  });

  const subscribe = async () => {
    let registration;
    try {
      registration = await navigator.serviceWorker.register("/phone/worker.js", { scope, updateViaCache: "none" });
      await started(registration);
    } catch {
      return say("certificate"); // the usual reason: no worker is taken by a certificate that the phone does not trust
    }
    if (await Notification.requestPermission() !== "granted") return say("denied");
    try {
      const old = await registration.pushManager.getSubscription();
      if (old) await old.unsubscribe(); // it may be bound to another box's key
      const fresh = await registration.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: bytes(place.dataset.key) });
      form.elements.endpoint.value = fresh.endpoint;
      form.elements.key.value = text(fresh.getKey("p256dh"));
      form.elements.secret.value = text(fresh.getKey("auth"));
    } catch {
      return say("service"); // the phone maker's push service was not reached
    }
    form.submit();
  };

  form.addEventListener("submit", event => {
    event.preventDefault();
    button.disabled = true;
    say("asked");
    subscribe().finally(() => { button.disabled = false; });
  });
  look().catch(() => say("none"));
})();
