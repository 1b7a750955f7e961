"use strict";
const token = new URLSearchParams(location.search).get("token") || "";
const at = (id) => document.getElementById(id);
const LABELS = { begin: "Begin the run", pause: "Pause", go_on: "Go on", undo: "Undo", end: "Ready to roll" };
const MAIN = { before: ["begin"], going: ["pause", "undo", "end"], paused: ["go_on", "undo"], ended: ["undo"] };
let busy = false, lost = false, last = null, drawn = "", order = 0;

const minutes = (s) => `${Math.floor(s / 60)}:${String(Math.floor(s % 60)).padStart(2, "0")}`;

function made(tag, text, look) {
  const one = document.createElement(tag);
  one.textContent = text;
  if (look) one.className = look;
  return one;
}

function lines(id, told) {
  at(id).replaceChildren(...told.map((line) => made("p", line)));
}

function show(state, pressed) {
  if (pressed || lost || state.wrong) at("wrong").textContent = state.wrong || "";
  lost = false;
  if (!state.tasks) return;
  last = state;
  at("clock").textContent = minutes(state.elapsed_s);
  const named = { before: "not begun", going: "", paused: "paused", ended: "ended" }[state.state];
  at("of").textContent = `of ${minutes(state.planned_s)} planned${named ? ", " + named : ""}`;
  const open = state.state === "going";
  // buttons stay the same ones while nothing but time has changed, so that a finger meets the one it aims at
  const shape = JSON.stringify([state.state, state.people, at("who").value, state.tasks.map((t) => [t.name, t.state])]);
  if (shape !== drawn) {
    drawn = shape;
    lines("said", state.said);
    at("main").replaceChildren(...MAIN[state.state].map((action) => {
      const one = made("button", LABELS[action]);
      one.dataset.action = action;
      return one;
    }));
    const who = at("who");
    if (who.options.length !== state.people.length + 1) {
      who.replaceChildren(new Option("everybody", ""), ...state.people.map((name) => new Option(name, name)));
    }
    const mine = state.tasks.filter((t) => !who.value || t.who.includes(who.value) || t.state === "going");
    at("tasks").replaceChildren(...mine.map((task) => {
      const one = made("button", "", task.state);
      one.dataset.task = task.name;
      one.disabled = !open;
      one.append(made("b", task.name), made("span", ""));
      const item = document.createElement("li");
      item.append(one);
      return item;
    }));
    lines("result", state.result);
  }
  const of = new Map(state.tasks.map((t) => [t.name, t]));
  for (const one of document.querySelectorAll("[data-task]")) {
    const task = of.get(one.dataset.task);
    const word = { waiting: "Start", going: "Stop", done: "Done: start again" }[task.state];
    const spent = task.state === "waiting" ? "" : ` · ${minutes(task.lasts_s)}`;
    one.lastChild.textContent = `${word} · ${task.who.join(", ")}${spent} · planned ${minutes(task.likely_s)}`;
  }
  for (const one of document.querySelectorAll("[data-note]")) {
    one.setAttribute("aria-pressed", String(state.notes.includes(one.dataset.note)));
    one.disabled = !(open || state.state === "paused");
  }
}

async function ask(body) {
  const mine = ++order;
  const told = { headers: { "X-Token": token } };
  if (body) Object.assign(told, { method: "POST", body: JSON.stringify(body) });
  try {
    const answer = await fetch("/state", told);
    if (!answer.ok) throw new Error(answer.status);
    const state = await answer.json();
    if (mine === order) show(state, Boolean(body));
  } catch (error) {
    lost = !body;
    at("wrong").textContent = body
      ? "That press is NOT kept: this machine does not answer. Press once more."
      : "The machine that keeps the presses does not answer. The run goes on: start it again.";
  }
}

document.addEventListener("click", async (event) => {
  const one = event.target.closest("button");
  if (!one || one.disabled || busy) return;
  busy = true;  // one press after the other: each is kept before the next
  const { action, note, task } = one.dataset;
  if (task) {
    const found = last.tasks.find((t) => t.name === task), who = at("who").value;
    const names = !who || found.who.includes(who) ? found.who : [who];
    await ask({ action: found.state === "going" ? "stop" : "start", task, who: names });
  } else {
    await ask(note ? { action: "note", note } : { action });
  }
  busy = false;
});

at("who").addEventListener("change", () => last && show(last, false));
ask(null);
setInterval(() => busy || ask(null), 1000);
