/*
 * Runs inside a test copy of a page and looks at it as a person would: nothing wider than the window, no text
 * cut off or outside its drawing, no label on another, and enough contrast for every word. Tells the page
 * around it, a line for each fault, and one line with what was looked at.
 */
"use strict";
(function () {
    const faults = [];
    const seen = {texts: 0, labels: 0, lowest: 99, drawings: 0};

    function excerpt(words) {
        return JSON.stringify(words.trim().replace(/\s+/g, " ").slice(0, 50));
    }

    /* --- contrast: WCAG 2.1, relative luminance and contrast ratio --- */

    function parse(colour) {
        const numbers = (colour.match(/[\d.]+/g) || []).map(Number);
        return numbers.length < 3 ? null : {rgb: numbers.slice(0, 3), alpha: numbers.length > 3 ? numbers[3] : 1};
    }

    function luminance(rgb) {
        const linear = rgb.map(function (value) {
            const share = value / 255;
            return share <= 0.04045 ? share / 12.92 : Math.pow((share + 0.055) / 1.055, 2.4);
        });
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2];
    }

    function contrast(a, b) {
        const high = Math.max(luminance(a), luminance(b));
        const low = Math.min(luminance(a), luminance(b));
        return (high + 0.05) / (low + 0.05);
    }

    function ground_of(element) {
        for (let at = element; at !== null; at = at.parentElement) {
            const colour = parse(getComputedStyle(at).backgroundColor);
            if (colour !== null && colour.alpha > 0.99)
                return colour.rgb;
        }
        return [255, 255, 255];
    }

    /* Of a word in a drawing: the last opaque box before it that holds its middle. */
    function ground_of_label(label, box) {
        const x = (box.left + box.right) / 2;
        const y = (box.top + box.bottom) / 2;
        let ground = ground_of(label.ownerSVGElement);
        for (const rect of label.ownerSVGElement.querySelectorAll("rect")) {
            const style = getComputedStyle(rect);
            const at = rect.getBoundingClientRect();
            const colour = parse(style.fill);
            if (rect.closest("clipPath") || colour === null || colour.alpha < 0.99 || Number(style.opacity) < 0.99)
                continue;
            if (rect.compareDocumentPosition(label) & Node.DOCUMENT_POSITION_FOLLOWING && at.left <= x &&
                at.right >= x && at.top <= y && at.bottom >= y)
                ground = colour.rgb;
        }
        return ground;
    }

    function check_contrast(ink, ground, words) {
        const ratio = contrast(ink, ground);
        seen.lowest = Math.min(seen.lowest, ratio);
        if (ratio < 4.5)
            faults.push("contrast " + ratio.toFixed(2) + " of " + excerpt(words));
    }

    /* --- text --- */

    /* A box that scrolls sideways shows its text, though not at once. */
    function scrolls(element) {
        for (let at = element; at !== null; at = at.parentElement) {
            if (/auto|scroll/.test(getComputedStyle(at).overflowX))
                return at;
        }
        return null;
    }

    function check_text(node) {
        const element = node.parentElement;
        const range = document.createRange();
        const style = getComputedStyle(element);
        if (node.data.trim() === "" || style.display === "none" || element.closest("script,style,title,desc,head"))
            return;
        range.selectNodeContents(node);
        const box = range.getBoundingClientRect();
        if (box.width === 0)
            return;
        seen.texts++;
        if (!element.closest("svg"))
            check_contrast(parse(style.color).rgb, ground_of(element), node.data);
        if (scrolls(element) === null && (box.left < -1 || box.right > document.documentElement.clientWidth + 1))
            faults.push("outside the page: " + excerpt(node.data));
        for (let at = element; at !== null; at = at.parentElement) {
            const around = getComputedStyle(at);
            const edge = at.getBoundingClientRect();
            if (/hidden|clip/.test(around.overflowX + around.overflowY) && !at.closest("svg") &&
                (box.right > edge.right + 1 || box.bottom > edge.bottom + 1))
                faults.push("cut off: " + excerpt(node.data));
        }
    }

    /* --- drawings --- */

    function meet(a, b) {
        return Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1.5 &&
            Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 3; /* line boxes are taller than letters */
    }

    function check_drawing(drawing) {
        const edge = drawing.getBoundingClientRect();
        const labels = [];
        if (edge.width < 20)
            return;
        seen.drawings++;
        if (!drawing.querySelector("title") || !drawing.querySelector("desc"))
            faults.push("a drawing without words for those who do not see it");
        for (const label of drawing.querySelectorAll("text")) {
            const box = label.getBoundingClientRect();
            seen.labels++;
            if (box.left < edge.left - 1 || box.right > edge.right + 1 || box.top < edge.top - 2 || box.bottom > edge.bottom + 2)
                faults.push("outside its drawing: " + excerpt(label.textContent));
            check_contrast(parse(getComputedStyle(label).fill).rgb, ground_of_label(label, box), label.textContent);
            for (const other of labels) {
                if (meet(box, other.box))
                    faults.push("on each other: " + excerpt(label.textContent) + " and " + excerpt(other.words));
            }
            labels.push({box: box, words: label.textContent});
        }
    }

    /* --- the whole --- */

    function look() {
        const root = document.documentElement;
        const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
        if (root.scrollWidth > root.clientWidth)
            faults.push("the page is " + root.scrollWidth + " wide, the window " + root.clientWidth);
        while (walker.nextNode())
            check_text(walker.currentNode);
        document.querySelectorAll("svg[role=img]").forEach(check_drawing);
        if (seen.texts < 10)
            faults.push("only " + seen.texts + " texts found: this is no page");
        faults.push("looked at " + seen.texts + " texts, " + seen.drawings + " drawings, " + seen.labels +
            " labels; lowest contrast " + seen.lowest.toFixed(2) + "; width " + root.clientWidth);
        parent.postMessage({lines: faults, height: root.scrollHeight}, "*");
    }

    addEventListener("load", look);
})();
