/* What may be ticked next, and why not: the plan's steps and the entries of a record in, counts
   and words out. No page and no storage here. Classic script. */
(function () {
  "use strict";
  var G = window.gridground;
  var PARTS = ["prepare", "apply", "work", "remove", "release"];
  G.PART_WORDS = { prepare: "Prepare", apply: "Apply", work: "Work", remove: "Remove", release: "Release" };

  function named(item) { return "step " + item.id + (item.pole ? " at pole " + item.pole : ""); }
  function ofLead(item) { return item.id + (item.lead ? " (lead " + item.lead.lead_id + (item.pole ? " at pole " + item.pole : "") + ")" : ""); }
  function cables(items) { return items.reduce(function (sum, item) { return sum + item.cables; }, 0); }
  function column(items) { return items.map(function (item) { return item.step.lead_id; }); }

  /* ---- the plan's steps, and what keeps them from being ticked at all ---- */
  G.book = function (plan) {
    var book = { steps: [], of: {}, byId: new Map(), total: plan.totals.leads, faults: [] }, leads = new Map();
    plan.leads.forEach(function (lead) { leads.set(lead.lead_id, lead); });
    PARTS.forEach(function (part) {
      book.of[part] = plan.steps[part].map(function (step, index) {
        var lead = leads.get(step.lead_id) || null;
        var counted = part === "apply" || part === "remove";
        if (counted && step.lead_id && !lead) { book.faults.push("step " + step.step_id + " names a lead that the plan does not have"); }
        return { id: step.step_id, part: part, index: index, pole: step.pole_id, step: step, lead: lead, cables: counted && lead ? lead.parallel : 0 };
      });
      book.of[part].forEach(function (item) {
        if (book.byId.has(item.id)) { book.faults.push("two steps have the number " + item.id); }
        book.byId.set(item.id, item);
        book.steps.push(item);
      });
    });
    var on = column(book.of.apply), off = column(book.of.remove).reverse();
    if (JSON.stringify(on) !== JSON.stringify(off)) { book.faults.push("the leads off are not the leads on backwards"); }
    if (cables(book.of.apply) !== book.total) { book.faults.push("the steps do not count as many leads as the plan"); }
    return book;
  };

  /* ---- where a record stands ---- */
  G.standing = function (book, entries) {
    var found = { ticked: new Map(), undone: new Map(), used: new Map(), refused: new Map(), people: [], on: 0, off: 0 };
    entries.forEach(function (entry) { if (entry.kind === "undo") { found.undone.set(entry.undoes, entry); } });
    entries.forEach(function (entry) {
      /* what was refused stays, whatever is pressed after */
      if (entry.kind === "refused") { found.refused.set(entry.step_id, (found.refused.get(entry.step_id) || []).concat(entry)); }
      if (found.undone.has(entry.id)) { return; }
      if (entry.kind === "tick") { found.ticked.set(entry.step_id, entry); }
      if (entry.kind === "lead used") { found.used.set(entry.lead_id, entry); }
      if (entry.kind === "on the line" && !G.isThere(found.people, entry.who)) { found.people.push(entry.who); }
      if (entry.kind === "off the line") {
        found.people = found.people.filter(function (who) { return !G.isThere([entry.who], who); });
      }
    });
    found.has = function (item) { return found.ticked.has(item.id); };
    found.on = cables(book.of.apply.filter(found.has));
    found.off = cables(book.of.remove.filter(found.has));
    /* lead by lead: one counted off that was not counted on makes up for no other */
    found.still = cables(book.of.apply.filter(function (item) { return found.has(item) && !isOff(book, found, item); }));
    found.leaving = book.of.remove.some(found.has);
    return found;
  };
  G.isThere = function (people, who) {
    return people.some(function (other) { return other.toLowerCase() === who.toLowerCase(); });
  };
  function isOff(book, state, lead) {
    return book.of.remove.some(function (item) { return item.step.lead_id === lead.step.lead_id && state.has(item); });
  }
  function isOn(book, state, removal) {
    return book.of.apply.some(function (item) { return item.step.lead_id === removal.step.lead_id && state.has(item); });
  }

  /* a lead of another size, or a longer one, is another plan */
  function another(state, item) {
    var entry = item.lead && state.used.get(item.lead.lead_id);
    if (!entry || (entry.values.size === item.lead.size && entry.values.length_m <= item.lead.length_m + 0.005)) { return null; }
    return "Lead " + item.lead.lead_id + " is written down as size " + entry.values.size + ", " + G.feet(entry.values.length_m) + "; the plan has size " +
      item.lead.size + ", " + G.feet(item.lead.length_m) + ". ";
  }

  /* ---- what must be ticked before a step ----
     Prepare: the steps for the whole job that stand in front, then each pole in its own order,
     poles in any order. Leads on: everything prepared, then strictly in order. Leads off: the leads
     that are on, strictly backwards. Release: all leads off; each pole in its own order, the steps
     for the whole job after all before them. */
  /* what was cut is joined again, or left open with everybody down, before its bypass lead goes */
  function joints(book, state, item) {
    var lead = item.step.lead_id, cut = book.of.work.some(function (other) { return other.step.cuts === lead && state.has(other); });
    return !lead || !cut ? [] : book.of.work.filter(function (other) { return other.step.joins === lead; });
  }
  function needs(book, state, item) {
    var same = book.of[item.part].slice(0, item.index);
    switch (item.part) {
      case "prepare":
        var leading = book.of.prepare.findIndex(function (other) { return other.pole !== null; });
        return same.filter(function (other) { return other.pole === item.pole || other.pole === null || other.index < leading; });
      case "apply": return book.of.prepare.concat(same);
      case "work": return book.of.apply.concat(same);
      case "remove":
        return joints(book, state, item).concat(book.of.apply.filter(state.has), same.filter(function (other) { return isOn(book, state, other); }));
      default:
        return book.of.remove.filter(function (other) { return isOn(book, state, other); })
          .concat(same.filter(function (other) { return item.pole === null || other.pole === item.pole; }));
    }
  }
  function people(state) { return state.people.join(", ") + (state.people.length === 1 ? " is" : " are") + " marked on the line"; }
  function leaving(state) { return "Leads are coming off (" + state.off + " counted off). "; }

  /* Return why a step cannot be ticked now, or null. */
  G.whyNot = function (book, state, item) {
    if (state.has(item)) { return "Step " + item.id + " is ticked already."; }
    var missing = needs(book, state, item).filter(function (other) { return !state.has(other); })[0];
    switch (item.part) {
      case "prepare":
        return missing ? "First " + named(missing) + ": it stands before this one." : null;
      case "apply":
        if (state.leaving) { return leaving(state) + "None goes on again in this record."; }
        if (!missing) {
          var other = another(state, item);
          return other && other + "The plan is made anew with it before it goes on.";
        }
        return missing.part === "prepare" ? "Prepare first: " + named(missing) + " is not ticked." : "Leads go on in order. Next is " + ofLead(missing) + ".";
      case "work":
        if (state.leaving) { return leaving(state) + "Work is over in this record."; }
        if (!missing) { return null; }
        return missing.part === "apply" ? "Leads on: " + state.on + " of " + book.total + ". All go on before work." : "First " + named(missing) + ": it stands before this one.";
      case "remove":
        if (state.people.length) { return people(state) + ". No lead comes off before everybody is marked off the line."; }
        if (!isOn(book, state, item)) { return "This lead is not counted on, so there is nothing to count off."; }
        if (missing && missing.part === "work") { return "First " + named(missing) + ": its bypass lead stays until that is told."; }
        return missing ? "Leads come off backwards. Next is " + ofLead(missing) + "." : null;
      default:
        if (state.people.length) { return people(state) + ". Nothing is released before everybody is marked off the line."; }
        if (state.still !== 0) { return "Leads still on: " + state.still + " (" + state.on + " on, " + state.off + " off). Nothing is released before the difference is zero."; }
        if (G.clashes(book, state).length) { return G.clashes(book, state)[0]; }
        if (!state.on) { return "No lead was counted on, so there is nothing to release here. The person in charge decides."; }
        return missing ? "First " + named(missing) + ": it stands before this one." : null;
    }
  };
  /* Return why somebody cannot be marked on the line now, or null. */
  G.whyNotOn = function (book, state, who) {
    if (G.isThere(state.people, who)) { return who + " is marked on the line already. Two people of one name: add a letter."; }
    if (state.leaving) { return leaving(state) + "Nobody is marked on the line any more."; }
    if (state.on !== book.total) { return "Leads on: " + state.on + " of " + book.total + ". Nobody is marked on the line before all are on."; }
    var other = book.of.apply.map(function (item) { return another(state, item); }).filter(Boolean)[0];
    if (other) { return other + "Nobody is marked on the line before the plan is made anew."; }
    return null;
  };
  /* Return why a tick cannot be undone now, or null. */
  G.whyNotUndo = function (book, state, item) {
    if (!state.has(item)) { return "Step " + item.id + " is not ticked."; }
    if (item.part === "apply" && state.people.length) { return people(state) + ". Mark everybody off the line before a lead is counted back."; }
    var later = book.steps.filter(function (other) {
      return state.has(other) && needs(book, state, other).indexOf(item) >= 0;
    });
    return later.length ? "Undo " + named(later[later.length - 1]) + " first: it was ticked after this one." : null;
  };
  /* Return what cannot both be so: two tabs that wrote at the same moment, each by the rules. */
  G.clashes = function (book, state) {
    var found = [], never = book.of.remove.filter(function (item) { return state.has(item) && !isOn(book, state, item); });
    if (state.leaving && state.people.length) { found.push("STOP: leads are counted off (" + state.off + ") while " + people(state) + ". Nobody goes on before the person in charge has looked at the poles."); }
    if (never.length) { found.push("STOP: " + never.map(ofLead).join(", ") + " is counted off and not on. Look at the poles, then undo what is wrong."); }
    return found;
  };
  /* Return the step to do next, or null when every step is ticked. */
  G.nextStep = function (book, state) {
    var parts = state.leaving ? ["remove", "release"] : PARTS;
    return book.steps.filter(function (item) {
      return parts.indexOf(item.part) >= 0 && !state.has(item) && (item.part !== "remove" || isOn(book, state, item));
    })[0] || null;
  };
})();
