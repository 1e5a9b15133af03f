(() => {
  const pages = [...document.querySelectorAll('#exchange tbody')]
  const turn = document.querySelector('.turn')
  if (!turn || pages.length < 2) return
  const [back, on] = turn.querySelectorAll('button')
  let now = 0
  const show = n => {
    now = n
    pages.forEach((p, i) => { p.hidden = i !== n })
    turn.querySelector('span').textContent = `page ${n + 1} of ${pages.length}`
    back.disabled = n === 0
    on.disabled = n === pages.length - 1
  }
  const follow = () => {
    const row = location.hash && document.getElementById(location.hash.slice(1))
    const n = row ? pages.findIndex(p => p.contains(row)) : -1
    if (n < 0) return
    show(n)
    row.scrollIntoView({ block: 'center' })
  }
  turn.addEventListener('click', e => { const by = Number(e.target.dataset.by); if (by) show(now + by) })
  addEventListener('hashchange', follow)
  turn.hidden = false
  show(0)
  follow()
})()
