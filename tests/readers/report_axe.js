// A report opened in headless Chromium, at desktop and phone width, light and dark, and judged by axe-core (an accessibility checker that is
// not ours): no violation. Besides: nothing is fetched but the page itself, it never scrolls sideways, and it is laid out in time.
// Usage: node report_axe.js CHROMIUM PROFILE-DIR PAGE...   (SHOTS=DIR leaves pictures and a PDF there)
'use strict';
const fs = require('fs');
const path = require('path');
const { pathToFileURL } = require('url');
const puppeteer = require('puppeteer-core');

const [chromium, profile, ...pages] = process.argv.slice(2);
const axe = fs.readFileSync(require.resolve('axe-core/axe.min.js'), 'utf8');
const shots = process.env.SHOTS;
let failures = 0;

function fail(text) {
    failures++;
    console.log(`FAILED ${text}`);
}

async function judge(page, name) {
    await page.evaluate(axe);
    const result = await page.evaluate(() => globalThis.axe.run(document, { resultTypes: ['violations'] }));
    for (const violation of result.violations) {
        fail(`${name}: ${violation.id}: ${violation.help} (${violation.nodes.length} places)`);
        for (const node of violation.nodes.slice(0, 3))
            console.log(`    ${node.html.slice(0, 160)}\n    ${String(node.failureSummary).replace(/\n/g, ' ').slice(0, 240)}`);
    }
    if (result.passes.length < 20)
        fail(`${name}: only ${result.passes.length} rules found something to look at`);
    return result;
}

async function look(browser, file, width, theme) {
    const name = `${path.basename(file)} ${width} ${theme}`;
    const page = await browser.newPage();
    const fetched = [];
    page.on('request', (request) => {
        if (!request.url().startsWith('data:'))
            fetched.push(request.url());
    });
    page.on('pageerror', (error) => fail(`${name}: ${error.message}`));
    await page.setViewport({ width, height: 900, deviceScaleFactor: width < 500 ? 2 : 1 });
    await page.emulateMediaFeatures([{ name: 'prefers-color-scheme', value: theme }]);
    const url = pathToFileURL(file).href;
    await page.goto(url, { waitUntil: 'load' });
    const other = fetched.filter((one) => one !== url && !/\.(jpe?g|png|webp)$/.test(one));
    if (other.length > 0)
        fail(`${name}: fetches ${other.join(', ')}`);
    const size = await page.evaluate(() => ({
        wide: document.documentElement.scrollWidth,
        scripts: document.scripts.length,
        paint: performance.getEntriesByType('paint').map((entry) => entry.startTime),
        load: performance.getEntriesByType('navigation')[0].loadEventEnd,
    }));
    if (size.wide > width)
        fail(`${name}: ${size.wide} pixels wide, scrolls sideways`);
    if (size.scripts > 0)
        fail(`${name}: has a script`);
    const heard = await judge(page, name);
    console.log(`${name}: ${heard.violations.length} violations of ${heard.passes.length} rules; painted after ${size.paint.map((ms) => ms.toFixed(0)).join(', ')} ms, ` +
                `loaded after ${size.load.toFixed(0)} ms`);
    if (shots !== undefined) {
        const base = path.join(shots, `${path.basename(file, '.html')}-${width}-${theme}`);
        const height = await page.evaluate(() => Math.min(document.documentElement.scrollHeight, 7000));
        await page.screenshot({ path: `${base}.png`, clip: { x: 0, y: 0, width, height }, captureBeyondViewport: true });
    }
    await page.close();
}

// The first stop of the Tab key is the way past the contents, and it can be seen.
async function tab(browser, file) {
    const page = await browser.newPage();
    await page.goto(pathToFileURL(file).href, { waitUntil: 'load' });
    await page.keyboard.press('Tab');
    const first = await page.evaluate(() => ({ text: document.activeElement.textContent, left: document.activeElement.getBoundingClientRect().left }));
    if (!/Skip/.test(first.text) || first.left < 0)
        fail(`${path.basename(file)}: the first stop of the Tab key is '${first.text}' at ${first.left}`);
    if (shots !== undefined)
        await page.pdf({ path: path.join(shots, `${path.basename(file, '.html')}.pdf`), format: 'A4', printBackground: true, preferCSSPageSize: true });
    await page.close();
}

async function main() {
    const browser = await puppeteer.launch({
        executablePath: chromium,
        headless: true,
        userDataDir: profile,
        args: ['--no-sandbox', '--disable-gpu', '--no-first-run', '--disable-background-networking', '--disable-component-update',
               '--disable-sync'],
    });
    for (const file of pages) {
        for (const width of [1280, 390])
            for (const theme of ['light', 'dark'])
                await look(browser, file, width, theme);
        await tab(browser, file);
    }
    await browser.close();
    process.exit(failures === 0 ? 0 : 1);
}

main().catch((error) => {
    console.error(error);
    process.exit(1);
});
